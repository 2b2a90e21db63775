// What becomes of trials that did not hold: why, and the smallest variation that does it.
#include <algorithm>
#include <set>

#include "replay/judge/diagnosis.h"
#include "replay/judge/trials.h"
#include "replay/vary/shrink.h"

namespace trial {

using witness::Status;

// What tells two causes apart and is not in the plan is run besides.
Status Trials::Explain() {
  const auto fails = [](const TrialResult& trial) {
    return trial.verdict.kind == VerdictKind::kBroke || trial.verdict.kind == VerdictKind::kSlow;
  };
  std::vector<TrialResult> others = outcome_.trials;
  if (auto waits = WaitsAsRecorded(outcome_.baseline, outcome_.trials, judge_)) {
    outcome_.baseline.notes.push_back(waits->words);
    outcome_.baseline.verdict.diagnoses.push_back(std::move(*waits));
  }
  for (TrialResult& trial : outcome_.trials) {
    if (!fails(trial)) continue;
    for (;;) {
      trial.verdict.diagnoses = Diagnose(outcome_.baseline, trial, others, judge_);
      const auto wanted = WantedBesides(trial, others);
      if (wanted.empty() || outcome_.interrupted) break;
      for (const Combination& combination : wanted) {
        auto other = RunTrial(trial.index, combination, true);
        outcome_.interrupted = other.status().code() == witness::Code::kInterrupted;
        if (outcome_.interrupted) break;
        if (!other.ok()) return other.status();
        others.push_back(std::move(*other));
      }
    }
  }
  return witness::OkStatus();
}

void Trials::Shrink() {
  std::set<std::string> done;
  std::size_t shrunk = 0;
  for (TrialResult& trial : outcome_.trials) {
    if (trial.verdict.kind != VerdictKind::kBroke && trial.verdict.kind != VerdictKind::kSlow)
      continue;
    if (shrunk >= setup_.shrink_at_most || setup_.shrink_runs == 0) break;
    // One of each sort: the same factors with the same diagnosis have the same cause.
    std::string sort = trial.verdict.diagnoses.empty() ? "" : trial.verdict.diagnoses[0].name;
    for (const Variation& variation : trial.combination)
      if (sort.empty() || trial.verdict.diagnoses.empty()) sort += " " + variation.factor;
    if (!done.insert(sort).second && !setup_.shrink_alike) continue;
    ++shrunk;
    const auto result = trial::Shrink(
        outcome_.played, trial.combination, setup_.shrink_runs,
        [&](const Combination& combination) {
          if (outcome_.interrupted) return false;
          const auto once = RunTrial(trial.index, combination, true);
          outcome_.interrupted = once.status().code() == witness::Code::kInterrupted;
          return once.ok() && (once->verdict.kind == VerdictKind::kBroke ||
                               once->verdict.kind == VerdictKind::kSlow);
        },
        outcome_.baseline.observations.virtual_time);
    if (outcome_.interrupted) return;
    trial.smallest = result.smallest;
    trial.shrinking = result.steps;
  }
}

}  // namespace trial
