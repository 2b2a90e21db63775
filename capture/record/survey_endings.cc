// Which endings a command may have, and the silence that takes its place.
#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

bool Surveyor::Endings() {
  Tell("which line ending does it take?");
  Basis& basis = profile_.ending_basis;
  const std::string first = profile_.send_ending;
  std::map<std::string, bool> good;
  bool all_steady = true;
  bool bare_steady = false;
  for (const SurveyEnding& ending : kSurveyEndings) {
    // A module that answers to another ending is not asked for an end mark.
    if (ending.name == ByteView(";") && first != ";") continue;
    bool steady = false;
    if (!IsTaken(plan_.query, ending.name, true, basis, good[ending.name], steady)) return false;
    all_steady = all_steady && steady;
    if (ending.name == ByteView("none")) bare_steady = steady;
  }
  bool awake = true;
  if (!IsAwake(awake) || !Clean()) return false;
  all_steady = all_steady && awake;
  for (const char* name : {"none", "CR", "LF", "CR LF", ";"})
    if (good[name]) profile_.accepted_endings.emplace_back(name);
  const bool bare = good["none"];
  profile_.must_be_bare = bare && profile_.accepted_endings.size() == 1;
  profile_.send_ending = bare && profile_.must_be_bare ? "none"
                         : good["CR"]                  ? "CR"
                         : good["CR LF"]               ? "CR LF"
                         : good["LF"]                  ? "LF"
                         : good[";"]                   ? ";"
                                                       : first;
  basis.sure = profile_.accepted_endings.empty() || !all_steady || answer_by_shape_ ? Found::kUnsure
                                                                                    : Found::kSure;
  basis.why = "each ending tried three times or more, from a clean beginning";
  if (profile_.accepted_endings.empty()) {
    // What was taken for an answer was none.
    ++readable_;
    Diagnose();
    return false;
  }
  if (good["CR LF"] && good["CR"] && !Leftover()) return false;
  return !bare || !bare_steady || Silence();
}

// Does the LF of a CR LF stay behind and spoil the next command?
bool Surveyor::Leftover() {
  if (wake_ || answer_by_shape_) {
    // What wakes it would end what stays behind; and numbers hide what is spoilt.
    profile_.ending_basis.sure = Found::kUnsure;
    profile_.ending_basis.why += "; whether the LF of a CR LF stays behind could not be tried";
    return true;
  }
  int spoilt = 0;
  int tries = 0;
  int missed = 0;  // the first was not answered: what was sent to end it took the LF with it
  late_ = false;
  for (const int wanted : {2, 4}) {
    while (tries < wanted && missed < 4) {
      Heard heard;
      if (!Ask(plan_.query, "CR LF", Usual(), heard)) return false;
      if (!IsAnswer(heard)) {
        ++missed;
        if (!Clean()) return false;
        continue;
      }
      if (!Ask(plan_.query, "CR", Usual(), heard)) return false;
      ++tries;
      spoilt += !IsAnswer(heard);
      AddEvidence(profile_.ending_basis, heard);
      if (!Clean()) return false;
    }
    if (spoilt == 0 || spoilt == tries) break;
  }
  profile_.leftover_spoils = tries > 0 && spoilt * 4 >= tries * 3;
  if (tries < 2) profile_.ending_basis.sure = Found::kUnsure;
  if ((spoilt != 0 && spoilt != tries) || (spoilt > 0 && late_))
    profile_.ending_basis.sure = Found::kUnsure;
  return true;
}

// The silence after which a bare command is taken: the query in two halves, further and further
// apart, until it is no longer taken as one.
bool Surveyor::Silence() {
  Tell("how long a silence ends a command?");
  if (wake_) return true;  // what wakes it would be in the way
  const Bytes head = plan_.query.substr(0, plan_.query.size() / 2);
  const Bytes tail = plan_.query.substr(plan_.query.size() / 2);
  if (LooksLikeChange(head) || LooksLikeChange(tail)) return true;
  // `gap` is what is wanted, and then what it was: from the end of the first half to the second.
  bool two = false;  // both halves were refused, so that there is no doubt
  const auto joined = [&](Duration& gap, bool& one) {
    if (!Pause(turnaround_ + turnaround_ / 4 + Duration::Milliseconds(150))) return false;
    NoteLate(between_, last_sent_);
    between_.pieces.clear();
    Heard first;
    // Nothing that comes meanwhile (an echo, a saying) may lengthen the silence.
    if (!Ask(head, {gap, Duration::Zero(), gap}, first)) return false;
    const Instant due = first.sent_by + gap;
    if (talk_.Now() < due && !Pause(due - talk_.Now())) return false;
    if (!Ask(tail, Usual(), raw_)) return false;
    AddEvidence(profile_.ending_basis, raw_);
    gap = raw_.sent_at - first.sent_by;
    // An echoing module gives the halves back apart; something unasked may come between.
    Heard both = raw_;
    both.pieces.insert(both.pieces.begin(), first.pieces.begin(), first.pieces.end());
    both = WithoutUnasked(both, profile_.unsolicited, without_);
    const auto text = [&](const Bytes& bytes) {
      return answer_by_shape_ || refusal_by_shape_ ? Shape(bytes) : bytes;
    };
    const Bytes all = text(both.bytes());
    const Bytes answer = text(answer_);
    const std::size_t at = all.find(answer);
    const Bytes no = text(refusal_);
    const std::size_t refused = no.empty() ? Bytes::npos : all.find(no);
    two = at == Bytes::npos && refused != Bytes::npos &&
          all.find(no, refused + no.size()) != Bytes::npos;
    // What was answered nothing at all may be in its buffer still.
    if (all.empty() && profile_.send_ending != "none" && !Joint()) return false;
    one =
        at != Bytes::npos &&
        (refusal_.empty() ||
         (all.substr(0, at) + all.substr(at + answer.size())).find(text(refusal_)) == Bytes::npos);
    return true;
  };
  Duration low;
  Duration high = std::max(turnaround_, Duration::Milliseconds(20)) + Duration::Milliseconds(50);
  bool one = false;
  if (!joined(high, one)) return false;
  if (one) return true;  // not a silence after all: left open
  // Where that is not plain, no answer is had three times: one or two may have been spoilt by
  // something said unasked.
  const auto settled = [&](Duration& gap, bool& is_one) {
    const Duration wanted = gap;
    is_one = false;
    // Where an answer was late, it is tried again, now that its time is known.
    for (int i = 0; i < 3 || (late_ && i < 9); ++i) {
      if (i % 3 == 0) late_ = false;
      gap = wanted;
      if (!joined(gap, is_one)) return false;
      if (is_one || two) return true;
      if (i % 3 < 2) continue;
      if (!Pause(Duration::Milliseconds(800))) return false;
      NoteLate(between_, last_sent_);
      between_.pieces.clear();
    }
    return true;
  };
  // Twenty halvings are more than any length needs; a port that is late each time must not keep us.
  for (int i = 0; i < 20 && high - low > std::max(Duration::Milliseconds(10), high / 20); ++i) {
    Duration middle = low + (high - low) / 2;
    if (!settled(middle, one)) return false;
    (one ? low : high) = middle;
  }
  // Halves that are not even taken together tell nothing of a silence.
  Duration none;
  if (low == Duration::Zero()) {
    if (!settled(none, one)) return false;
    if (!one) return true;
  }
  // The module counts until the next character is complete.
  profile_.silence_at_least = low + line_.CharacterTime();
  profile_.silence_at_most = high + line_.CharacterTime();
  return true;
}

}  // namespace witness
