// Echo, letter case, longest command.
#include <string>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

bool Surveyor::Echo() {
  Tell("does it echo?");
  Basis& basis = profile_.echo_basis;
  const Bytes longer = "AT+JGU0123456789GIJIUG?";
  int echoed = 0;
  int early = 0;
  int late = 0;
  int garbled = 0;
  int rounds = 0;
  bool answers = false;
  bool woken = false;
  if (!Control(answers, woken)) return false;
  // Where the first do not agree, some more are tried.
  for (; rounds < 3 || (rounds < 6 && echoed > 0 && echoed < rounds); ++rounds) {
    Heard heard;
    if (!Ask(longer, profile_.send_ending, Usual(), heard)) return false;
    AddEvidence(basis, heard);
    garbled += IsGarbledEcho(heard);
    if (EchoLength(heard) == 0) continue;
    ++echoed;
    const Duration leaving = heard.sent_by - heard.sent_at;
    if (leaving < Duration::Milliseconds(4)) continue;  // too fast to tell
    if (without_.any) continue;                         // what was said unasked kept it back
    (heard.pieces.front().at < heard.sent_at + leaving / 2 ? early : late) += 1;
  }
  const bool sure = garbled == 0 && (echoed == 0 || echoed == rounds);
  const bool likely = sure || (garbled == 0 && echoed == 1) || echoed >= 4;
  profile_.echo = !likely                  ? EchoKind::kUnspecified
                  : echoed < 2             ? EchoKind::kOff
                  : early > 1 && late == 0 ? EchoKind::kByCharacter
                  : late > 1 && early == 0 ? EchoKind::kWhole
                                           : EchoKind::kOn;
  basis.sure = sure ? Found::kSure : likely ? Found::kLikely : Found::kUnsure;
  if (echoed == 0 && !answers) basis.sure = Found::kUnsure;  // nor was the query answered
  basis.why = std::to_string(echoed) + " of " + std::to_string(rounds) + " commands came back" +
              (garbled > 0 ? ", others with characters lost" : "");
  if (profile_.echo == EchoKind::kOn) basis.why += "; how cannot be told";
  return Clean();
}

bool Surveyor::Case() {
  Basis& basis = profile_.case_basis;
  const Bytes small = Lower(plan_.query);
  if (small == plan_.query) {
    basis.why = "the query has no capital letters";
    return true;
  }
  Tell("does it take small letters?");
  bool taken = false;
  bool steady = false;
  if (!IsTaken(small, profile_.send_ending, false, basis, taken, steady)) return false;
  if (!taken && steady) {
    bool answers = false;
    bool woken = false;
    if (!Control(answers, woken)) return false;
    if (woken && !IsTaken(small, profile_.send_ending, false, basis, taken, steady)) return false;
    bool awake = true;
    if (!IsAwake(awake)) return false;
    steady = steady && answers && awake;
  }
  // An answer that repeats the query differs in letters where it is taken alike.
  if (!taken && (answer_by_shape_ || answer_.find(plan_.query) != Bytes::npos)) steady = false;
  profile_.letter_case = !steady ? LetterCase::kUnspecified
                         : taken ? LetterCase::kAny
                                 : LetterCase::kAsWrittenOnly;
  basis.sure = steady ? Found::kSure : Found::kUnsure;
  basis.why = std::string("queries in small letters were ") + (!steady ? "answered now and then"
                                                               : taken ? "answered alike"
                                                                       : "not answered alike");
  return Clean();
}

bool Surveyor::Longest() {
  Basis& basis = profile_.longest_basis;
  if (!plan_.find_longest) {
    basis.why = "not asked for (--longest)";
    return true;
  }
  Tell("how long may a command be?");
  Heard heard;
  if (!Ask(kUnknownQuery, profile_.send_ending, Usual(), heard)) return false;
  const Bytes no = Body(heard);
  if (no.empty()) {
    basis.sure = Found::kNotFound;
    basis.why = "it does not say no, so a command that is too long cannot be told";
    return true;
  }
  std::size_t taken = kUnknownQuery.size();
  std::size_t refused = 2048;
  while (refused - taken > 1) {
    const std::size_t size = taken < 1024 && refused == 2048 ? taken * 2 : (taken + refused) / 2;
    if (size >= refused) break;
    const Bytes command = "AT+JGU" + Bytes(size - 7, 'U') + "?";
    if (!Ask(command, profile_.send_ending, Usual(), heard)) return false;
    AddEvidence(basis, heard);
    (Body(heard) == no ? taken : refused) = size;
    if (Body(heard) != no && !Clean()) return false;
  }
  profile_.longest_command = static_cast<std::uint32_t>(taken);
  basis.sure = refused == 2048 ? Found::kUnsure : Found::kLikely;
  basis.why = refused == 2048 ? "no limit seen up to so many bytes"
                              : "the longest that is still refused as an unknown command is";
  return true;
}

}  // namespace witness
