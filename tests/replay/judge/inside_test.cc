#include "replay/judge/inside.h"

#include <gtest/gtest.h>

namespace trial {
namespace {

using witness::Duration;
using witness::Instant;

Observations Ran(int length_ms, int cpu_ms, int starved_ms) {
  Observations seen;
  seen.ended = Instant() + Duration::Milliseconds(length_ms);
  seen.cpu_time = Duration::Milliseconds(cpu_ms);
  seen.starved = Duration::Milliseconds(starved_ms);
  return seen;
}

TEST(Inside, WhoUsesMostOfTheTimeSpins) {
  EXPECT_TRUE(SpinsWhileItWaits(Ran(1000, 900, 0)));
  EXPECT_FALSE(SpinsWhileItWaits(Ran(1000, 90, 0)));
  EXPECT_FALSE(SpinsWhileItWaits(Ran(200, 190, 0))) << "starting up is not spinning";
}

TEST(Inside, WhoStandsInTheQueueForTheProcessorSpinsToo) {
  EXPECT_TRUE(SpinsWhileItWaits(Ran(1000, 350, 600)));
  EXPECT_FALSE(SpinsWhileItWaits(Ran(1000, 350, 100))) << "it slept the rest";
  EXPECT_FALSE(SpinsWhileItWaits(Ran(1000, 50, 940))) << "it hardly ran at all";
}

TEST(Inside, VirtualTimeHasNoProcessorTime) {
  Observations seen = Ran(1000, 900, 0);
  seen.virtual_time = true;
  EXPECT_FALSE(SpinsWhileItWaits(seen));
}

TEST(Inside, SpinningIsNotedOnlyWhereTheBaselineDidNot) {
  EXPECT_EQ(ResourceNotes(Ran(1000, 90, 0), Ran(1000, 350, 600)).size(), 1U);
  EXPECT_TRUE(ResourceNotes(Ran(1000, 900, 0), Ran(1000, 350, 600)).empty());
}

}  // namespace
}  // namespace trial
