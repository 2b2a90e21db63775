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
                          SendsLineEnding,
                          Hangs,
                          TakesAnotherForTheReply,
                          CountsOnEcho,
                          SpeaksBeforeReply,
                          ReadsTooEarly,
                          EarlyFromTheFirst,
                          TakesAPiece,
                          ReadsFixedCount,
                          WaitsForLineEnding,
                          ReadsRecordedCount,
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

namespace {

constexpr char kWrongEnding[] = "wrong-command-ending";

// What was sent without ever ending as a command ends: is it nothing but commands that the part
// knows, one behind the other?
bool OnlyKnownCommands(const Part& part, ByteView sent) {
  constexpr std::size_t kMost = 200;
  if (sent.empty() || sent.size() > kMost) return false;
  // Whether the first `n` bytes are; a line ending belongs to the command in front of it.
  std::vector<bool> whole(sent.size() + 1, false);
  whole[0] = true;
  for (std::size_t n = 1; n <= sent.size(); ++n) {
    const bool ending = sent[n - 1] == '\r' || sent[n - 1] == '\n';
    if (ending && n > 1) whole[n] = whole[n - 1];
    for (std::size_t from = 0; from < n && !whole[n]; ++from)
      whole[n] = whole[from] && !ending && KnowsText(part, sent.substr(from, n - from));
  }
  return whole[sent.size()];
}

}  // namespace

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
  const bool ending = !wrong.empty() && (knows(wrong) || OnlyKnownCommands(part, wrong));
  for (Diagnosis& fault : Faults(seen))
    // Who speaks at a wrong rate, or cuts short what it says, is not understood either: that comes
    // first.
    if (!ending || fault.name == "wrong-rate" || fault.name == "cuts-own-command")
      all.push_back(std::move(fault));
  const bool cut = std::any_of(all.begin(), all.end(),
                               [](const Diagnosis& d) { return d.name == "cuts-own-command"; });
  if (ending && !cut)
    all.push_back(
        {kWrongEnding,
         "ends its commands in a way that this module does not take",
         {"it sent " + SafeTextWithEnding(wrong) + "; the module's commands end with " + expected +
          (part.command_end.terminators.empty()
               ? ", so what comes with it is taken for a part of the command"
               : "")}});
  return all;
}

std::optional<Diagnosis> NotesCommandEnding(const TrialResult& baseline, const Part& part) {
  const auto& commands = baseline.observations.commands;
  if (part.command_end.terminators.empty() && part.command_end.silence)
    for (const TakenCommand& command : commands) {
      const ByteView text = WithoutEnding(command.bytes);
      if (!command.known || text.empty() || text.size() == command.bytes.size()) continue;
      return Diagnosis{
          kWrongEnding,
          "sends " + SafeText(ByteView(command.bytes).substr(text.size())) +
              " behind its commands: this part leaves that out, but a module that takes a command "
              "after a silence may take it for a part of it (of a name or a key)",
          {"it sent " + SafeTextWithEnding(command.bytes)}};
    }
  // The rest of an ending that is longer than the module's stands in front of the next command.
  std::size_t taken = 0;
  const TakenCommand* spoilt = nullptr;
  for (const TakenCommand& command : commands) {
    taken += command.known ? 1 : 0;
    if (spoilt == nullptr && SpoiltByEnding(part, command)) spoilt = &command;
  }
  if (spoilt == nullptr) return std::nullopt;
  const std::size_t rest = spoilt->bytes.find_first_not_of("\r\n");
  return Diagnosis{kWrongEnding,
                   "the module takes " + std::to_string(taken) + " of its " +
                       std::to_string(commands.size()) + " commands: the " +
                       SafeText(spoilt->bytes.substr(0, rest)) +
                       " behind a command is taken for the beginning of the next",
                   {"it sent " + SafeTextWithEnding(spoilt->bytes)}};
}

bool SpoiltByEnding(const Part& part, const TakenCommand& command) {
  const std::size_t first = command.bytes.find_first_not_of("\r\n");
  return !command.known && first != Bytes::npos && first > 0 &&
         KnowsText(part, ByteView(command.bytes).substr(first));
}

}  // namespace trial
