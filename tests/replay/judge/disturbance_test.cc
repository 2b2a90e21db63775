#include "replay/judge/disturbance.h"

#include <gtest/gtest.h>

namespace trial {
namespace {

// Two pieces of one reply that are to come 30 ms apart, sent so much later than they were due.
TrialResult Sent(const char* variation, double first_late_ms, double second_late_ms) {
  const auto at = [](double ms) {
    return Instant::FromNanoseconds(static_cast<std::int64_t>(ms * 1e6));
  };
  TrialResult out;
  out.combination = {*ParseVariation(variation)};
  Said first, second;
  first.send = {at(100), "O", SaidSort::kAnswer, 1};
  first.sent = at(100 + first_late_ms);
  second.send = {at(130), "K", SaidSort::kAnswer, 1};
  second.sent = at(130 + second_late_ms);
  out.observations.said = {first, second};
  return out;
}

TEST(Disturbance, PiecesThatCameNearerTogetherWereNotTried) {
  EXPECT_FALSE(GapsLost(Sent("split=1:30ms", 0.1, 0.2)));
  EXPECT_FALSE(GapsLost(Sent("split=1:30ms", 20, 20)));  // late, but as far apart
  EXPECT_FALSE(GapsLost(Sent("split=1:30ms", 5.9, 0)));
  EXPECT_TRUE(GapsLost(Sent("split=1:30ms", 6.1, 0)));
  EXPECT_TRUE(GapsLost(Sent("pace=pause:30ms", 20.9, 0.1)));
}

TEST(Disturbance, WhereTheDistanceIsNotWhatIsTriedItDoesNotMatter) {
  EXPECT_FALSE(GapsLost(Sent("ending=none", 20.9, 0.1)));
}

TEST(Disturbance, VirtualTimeIsNeverDisturbed) {
  TrialResult run = Sent("split=1:30ms", 20.9, 0.1);
  run.observations.virtual_time = true;
  EXPECT_FALSE(GapsLost(run));
}

}  // namespace
}  // namespace trial
