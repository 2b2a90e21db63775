#include "replay/judge/disturbance.h"

#include <algorithm>

namespace trial {
namespace {

// A subject that was kept from the processor for so long, in all, may have failed for that.
constexpr Duration kStarved = Duration::Milliseconds(100);
// Below these nothing disturbed a trial that ran while others did.
constexpr Duration kPrompt = Duration::Milliseconds(10);
constexpr Duration kHardlyStarved = Duration::Milliseconds(20);

constexpr Duration kGapThatMatters = Duration::Milliseconds(5);

}  // namespace

bool SentLate(const Observations& seen) {
  return !seen.virtual_time && WorstSend(seen) > kLateSend;
}

bool TimingFailed(const Observations& seen) {
  return SentLate(seen) || (!seen.virtual_time && seen.starved > kStarved);
}

bool Undisturbed(const Observations& seen) {
  return seen.virtual_time ||
         (WorstSend(seen) <= kPrompt && seen.starved <= kHardlyStarved && !seen.has_helpers);
}

bool GapsLost(const TrialResult& run) {
  const Observations& seen = run.observations;
  const bool tried =
      std::any_of(run.combination.begin(), run.combination.end(),
                  [](const Variation& v) { return v.factor == "split" || v.factor == "pace"; });
  if (seen.virtual_time || !tried) return false;
  for (std::size_t i = 1; i < seen.said.size(); ++i) {
    const Said& before = seen.said[i - 1];
    const Said& now = seen.said[i];
    const Duration planned = now.send.due - before.send.due;
    if (now.send.command == before.send.command && planned >= kGapThatMatters &&
        now.sent - before.sent < planned - planned / 5)
      return true;
  }
  return false;
}

}  // namespace trial
