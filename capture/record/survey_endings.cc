// Which endings a command may have, and the silence that takes its place.
#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

bool Surveyor::Endings() {
  progress_("which line ending does it take?");
  Basis& basis = profile_.ending_basis;
  const std::string first = profile_.send_ending;
  std::map<std::string, int> good;
  for (const SurveyEnding& ending : kSurveyEndings) {
    for (int round = 0; round < 2; ++round) {
      if (!Clean()) return false;
      Heard heard;
      if (!Ask(plan_.query, ending.name, Usual(), heard)) return false;
      AddEvidence(basis, heard);
      good[ending.name] += IsAnswer(heard);
    }
  }
  if (!Clean()) return false;
  for (const char* name : {"none", "CR", "LF", "CR LF"})
    if (good[name] == 2) profile_.accepted_endings.emplace_back(name);
  const bool bare = good["none"] == 2;
  profile_.must_be_bare = bare && profile_.accepted_endings.size() == 1;
  profile_.send_ending = bare && profile_.must_be_bare ? "none"
                         : good["CR"] == 2             ? "CR"
                         : good["CR LF"] == 2          ? "CR LF"
                         : good["LF"] == 2             ? "LF"
                                                       : first;
  const bool steady =
      std::all_of(good.begin(), good.end(), [](const auto& entry) { return entry.second != 1; });
  basis.sure = profile_.accepted_endings.empty() ? Found::kUnsure
               : steady                          ? Found::kSure
                                                 : Found::kLikely;
  basis.why = "each ending tried twice, from a clean beginning";
  if (good["CR LF"] == 2 && good["CR"] == 2 && !Leftover()) return false;
  return !bare || Silence();
}

// Does the LF of a CR LF stay behind and spoil the next command?
bool Surveyor::Leftover() {
  int spoilt = 0;
  for (int round = 0; round < 2; ++round) {
    Heard heard;
    if (!Ask(plan_.query, "CR LF", Usual(), heard)) return false;
    if (!Ask(plan_.query, "CR", Usual(), heard)) return false;
    spoilt += !IsAnswer(heard);
    AddEvidence(profile_.ending_basis, heard);
    if (!Clean()) return false;
  }
  profile_.leftover_spoils = spoilt == 2;
  return true;
}

// The silence after which a bare command is taken: the query in two halves, further and further
// apart, until it is no longer taken as one.
bool Surveyor::Silence() {
  progress_("how long a silence ends a command?");
  Bytes query = plan_.query;
  const Bytes head = query.substr(0, query.size() / 2);
  const Bytes tail = query.substr(query.size() / 2);
  Duration low = Duration::Zero();
  Duration high = std::max(turnaround_, Duration::Milliseconds(20)) + Duration::Milliseconds(50);
  const auto joined = [&](Duration gap, bool& one) {
    if (!Pause(std::max(Duration::Milliseconds(1500), turnaround_ * 2))) return false;
    Heard heard;
    if (!Ask(head, {gap, gap, gap}, heard)) return false;
    if (!Ask(tail, Usual(), heard)) return false;
    AddEvidence(profile_.ending_basis, heard);
    // An echoing module gives the halves back apart; something unasked may come behind.
    one = heard.bytes().find(answer_) != Bytes::npos;
    return true;
  };
  bool one = false;
  if (!joined(high, one)) return false;
  if (one) return true;  // not a silence after all: left open
  while (high - low > std::max(Duration::Milliseconds(10), high / 20)) {
    const Duration middle = low + (high - low) / 2;
    if (!joined(middle, one)) return false;
    // Something said unasked may have spoilt one try.
    if (!one && !joined(middle, one)) return false;
    (one ? low : high) = middle;
  }
  // The module counts until the next character is complete.
  profile_.silence_at_least = low + line_.CharacterTime();
  profile_.silence_at_most = high + line_.CharacterTime();
  return true;
}

}  // namespace witness
