#include "replay/judge/diagnosis.h"

#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"
#include "replay/judge/inside.h"
#include "replay/part/cue.h"

namespace trial {

using witness::SafeText;
using witness::SafeTextWithEnding;

std::vector<Diagnosis> Diagnose(const TrialResult& baseline, const TrialResult& trial,
                                const std::vector<TrialResult>& others, const Judge& judge) {
  std::vector<Diagnosis> all;
  if (!trial.verdict.divergence) return all;
  const Case c{baseline, trial, others, judge, baseline.observations, trial.observations};
  // Strongest evidence first; a rule behind is asked only if those before found nothing.
  for (const auto rule : {LeavesProcess,
                          CannotDecode,
                          ShownInside,
                          CutsLongReply,
                          Hangs,
                          TakesAnotherForTheReply,
                          CountsOnEcho,
                          SpeaksBeforeReply,
                          ReadsTooEarly,
                          EarlyFromTheFirst,
                          TakesAPiece,
                          ReadsFixedCount,
                          WaitsForLineEnding,
                          LeavesLineEnding,
                          KeepsLineEnding,
                          ComparesCase,
                          FailsOnLongReply,
                          MindsTiming,
                          CrashesOnReply,
                          EndsBadly}) {
    if (auto found = rule(c)) {
      AddInsideEvidence(c.base, c.seen, *found);
      all.push_back(std::move(*found));
      break;
    }
  }
  if (auto found = Spins(c)) all.push_back(std::move(*found));
  return all;
}

std::vector<Combination> WantedBesides(const TrialResult& trial,
                                       const std::vector<TrialResult>& others) {
  std::vector<Combination> wanted;
  if (trial.verdict.diagnoses.empty() || trial.verdict.diagnoses[0].name != "waits-for-line-ending")
    return wanted;
  const auto want = [&](const char* level) {
    const Combination combination = {{"ending", level, 0}};
    if (std::none_of(others.begin(), others.end(),
                     [&](const TrialResult& other) { return other.combination == combination; }))
      wanted.push_back(combination);
  };
  want("cr");
  want("lf");
  // Waits at any ending that is shorter: does it count bytes?
  if (wanted.empty() && BrokeOrSlow(trial) &&
      std::all_of(others.begin(), others.end(), [](const TrialResult& other) {
        const std::string name = CombinationName(other.combination);
        return (name != "ending=cr" && name != "ending=lf") || BrokeOrSlow(other);
      }))
    want("spaces");
  return wanted;
}

std::vector<Diagnosis> DiagnoseBaseline(const TrialResult& baseline, const Part& part) {
  std::vector<Diagnosis> all;
  const Observations& seen = baseline.observations;
  const auto knows = [&](ByteView command) { return KnowsText(part, command); };
  std::string expected;
  for (const Bytes& terminator : part.command_end.terminators)
    expected += (expected.empty() ? "" : " or ") + SafeText(terminator);
  if (expected.empty()) expected = "silence alone";
  Bytes wrong = seen.unfinished;
  for (const TakenCommand& command : seen.commands)
    if (wrong.empty() && !command.known && knows(command.bytes)) wrong = command.bytes;
  const bool ending = !wrong.empty() && knows(wrong);
  for (Diagnosis& fault : Faults(seen))
    // Who speaks at a wrong rate is not understood either: that comes first.
    if (!ending || fault.name == "wrong-rate") all.push_back(std::move(fault));
  if (ending)
    all.push_back({"wrong-command-ending",
                   "ends its commands in a way that this module does not take",
                   {"it sent " + SafeTextWithEnding(wrong) + "; the module's commands end with " +
                    expected}});
  return all;
}

}  // namespace trial
