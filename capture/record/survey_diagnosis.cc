// Why nothing answers: what was heard, and what to check.
#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

// For the diagnosis: what kind of thing was heard.
void Surveyor::Note(const Heard& heard) {
  if (heard.nothing()) return;
  if (EchoLength(heard) > 0 && heard.bad_bytes == 0) {
    echo_line_ = line_;
    came_back_after_ = heard.pieces.back().at - heard.sent_by;
  }
  if (EchoLength(heard) > 0 && Body(heard).empty())
    ++came_back_;
  else if (Readable(Body(heard)))
    ++readable_;
  else
    ++unreadable_;
  AddEvidence(profile_.state_basis, heard);
}

void Surveyor::Diagnose() {
  Basis& basis = profile_.state_basis;
  const bool has_rate = line_.baud != 0;
  profile_.line.baud = 0;
  profile_.line_basis.sure = Found::kNotFound;
  profile_.line_basis.why = has_rate ? "no rate and format that was tried gave answers"
                                     : "the port has no rate of its own";
  if (!has_rate)
    profile_.check.emplace_back(
        "If a serial line stands behind this port, its rate is set at the other end");
  profile_.line_basis.tries = basis.tries;
  std::vector<std::string> checks;
  if (!doubtful_.empty()) profile_.check.push_back(doubtful_);
  // Never more: what was not tried may answer.
  basis.sure = Found::kUnsure;
  if (comes_back_whole_) {
    profile_.state = ModuleState::kAllComesBack;
    basis.why = "what was sent came back, and nothing else, " + std::to_string(came_back_) +
                " times; last " + FormatDuration(came_back_after_) + " after it had left";
    checks = {
        "Is a data session open? Then commands go to the far side and come back from there: end "
        "the session or power the module off and on",
        "Are TX and RX of the adapter joined? Take the module off: if it still comes back, yes",
        "A module that only echoes may want another line ending or rate"};
  } else if (readable_ > 0) {
    profile_.state = ModuleState::kTalksOnly;
    basis.why = "readable text came, but no query was answered otherwise than what cannot exist";
    if (sleepy_)
      profile_.check.emplace_back(
          "Commands lost their beginning: the module may sleep between them and want to be woken, "
          "by "
          "a first byte or a pin");
    checks = {
        "The module may only talk (a receiver, a sensor): record it with `bytewitness record`",
        "It may want another query than " + ToEscapes(plan_.query) + ": give one with --query",
        "Is the adapter's TX wired to the module's RX, and are the levels right?"};
  } else if (unreadable_ > 0) {
    profile_.state = ModuleState::kUnreadable;
    basis.why = "bytes came, readable at no rate that was tried";
    checks = {"Wrong rate: give others with --bauds",
              "Is the signal inverted (RS-232 levels on a logic pin or the other way)?",
              "It may speak a binary protocol: record it with `bytewitness record`",
              "Are the grounds joined?"};
  } else {
    profile_.state = ModuleState::kSilent;
    basis.why = "nothing was ever heard";
    checks = {"Is the wiring crossed? The adapter's TX goes to the module's RX and back",
              "Is it powered, are the grounds joined, and do the levels match?",
              "Has it an enable, wake or mode pin that must be set?",
              "Is a session open from before? Power it off and on",
              "It may want another rate (--bauds), another query (--query) or more time"};
  }
  profile_.check.insert(profile_.check.end(), checks.begin(), checks.end());
}

}  // namespace witness
