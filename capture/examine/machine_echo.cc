// The module's side of SegmentMachine: what it gives back of what it is told.
#include <algorithm>

#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"

namespace witness {

// Whether what came back of the command is an echo if `next` follows it. Some modules do not give
// its ending back; their answer begins with one, or stands on the same line.
bool SegmentMachine::EchoIsWhole(const Asked& asked, char next) {
  if (asked.echoed == 0) return false;
  // Where commands are lines and the module gives none back, it begins as one whose end is stamped
  // later.
  if (conventions_.terminated_commands && !conventions_.echo && !asked.complete) return false;
  const ByteView left = ByteView(asked.text).substr(asked.echoed);
  const bool goes_on = conventions_.bare_echo == BareEcho::kGiven;
  return left.empty() || (Stripped(left).empty() && (goes_on || next == '\r' || next == '\n'));
}

void SegmentMachine::EchoFailed(Asked& asked) {
  asked.echo = Asked::Echo::kNone;
  asked.replied = true;
  Slot* slot = echo_;
  echo_ = nullptr;
  slot->segment.kind = SegmentKind::kReply;
  slot->segment.kind_why = "";
  if (conventions_.bare_echo == BareEcho::kUntold) {
    slot->segment.sure = Sureness::kUnsure;
    slot->segment.kind_why = "it begins with the command: that may be its echo";
  }
  module_.open = slot;
  ScanLines();
}

void SegmentMachine::SettleEcho() {
  if (echo_ == nullptr) return;
  Asked* asked = nullptr;
  for (Asked& a : asked_)
    if (a.turn == echo_turn_) asked = &a;
  Slot* slot = echo_;
  echo_ = nullptr;
  const bool complete =
      asked == nullptr || asked->echoed == asked->text.size() ||
      (asked->echoed > 0 && Stripped(ByteView(asked->text).substr(asked->echoed)).empty());
  if (!complete || !conventions_.echo) {
    slot->segment.kind = SegmentKind::kReply;
    slot->segment.sure = Sureness::kLikely;
    slot->segment.kind_why = complete ? "it repeats the command, and nothing else came; the module "
                                        "gives no other command back"
                                      : "it begins as the command does, but goes another way";
    if (asked != nullptr) {
      asked->echo = Asked::Echo::kNone;
      asked->replied = true;
    }
    CloseSlot(*slot, EndedBy::kSilence, Duration::Max());
    return;
  }
  if (asked != nullptr) asked->echo = Asked::Echo::kDone;
  CloseSlot(*slot, EndedBy::kEchoComplete, Duration::Zero());
}

// The command that `bytes` may be the echo of.
SegmentMachine::Asked* SegmentMachine::EchoedBy(ByteView bytes) {
  Asked* first = nullptr;
  for (Asked& asked : asked_) {
    if (echo_ != nullptr) {
      if (asked.turn == echo_turn_) return &asked;
      continue;
    }
    if (asked.echo != Asked::Echo::kTrying || asked.over) continue;
    const ByteView text = asked.text;
    const std::size_t most = std::min(text.size(), bytes.size());
    std::size_t n = 0;
    while (n < most && text[n] == bytes[n]) ++n;
    const bool goes_on = n == bytes.size() || Stripped(text.substr(n)).empty();
    if (n > 0 && goes_on && !asked.replied && (first == nullptr || conventions_.echo)) {
      // What was sent before, and not given back, the module did not hear.
      for (Asked& before : asked_) {
        if (&before == &asked) break;
        if (first != nullptr && !before.replied) before.over = true;
      }
      return &asked;
    }
    if (first == nullptr) first = &asked;
  }
  return first;
}

std::size_t SegmentMachine::MatchEcho(Asked& asked, ByteView bytes) {
  const ByteView text = asked.text;
  std::size_t i = 0;
  for (; i < bytes.size(); ++i) {
    const char c = bytes[i];
    if (asked.rub_out == 0 && asked.echoed < text.size() && c == text[asked.echoed] && c != '\b' &&
        c != '\x7f') {  // nearly always
      ++asked.echoed;
      continue;
    }
    // A backspace is given back as it is, or as back, blank, back.
    if (asked.rub_out > 0) {
      const bool goes_on = c == (asked.rub_out == 1 ? ' ' : '\b');
      asked.rub_out = goes_on && asked.rub_out == 1 ? 2 : 0;
      if (goes_on) continue;
    }
    if (asked.echoed == text.size()) break;
    const char said = text[asked.echoed];
    const bool rubs_out = said == '\b' || said == '\x7f';
    if (c != said && !(rubs_out && c == '\b') && !HidesKey(c, said)) break;
    if (rubs_out) asked.rub_out = 1;
    ++asked.echoed;
  }
  return i;
}

std::size_t SegmentMachine::TakeEcho(const Tape& tape, const TapeItem& item, std::size_t from) {
  const ByteView bytes = tape.BytesOf(item);
  Asked* const asked = EchoedBy(bytes.substr(from));
  if (asked == nullptr) return 0;
  const bool one_byte = Stripped(asked->text).size() < 2;
  if (echo_ == nullptr) {
    if (asked->replied) return 0;
    // Not in the midst of what came behind a complete answer.
    const Slot* const said = module_.open;
    const bool may_begin = said == nullptr || cut_next_ ||
                           (said->over_at > 0 &&
                            Stripped(ByteView(said->segment.bytes).substr(said->over_at)).empty());
    if (!may_begin) return 0;
    const bool begins = bytes[from] == asked->text[0] ||
                        (conventions_.echo && HidesKey(bytes[from], asked->text[0]));
    if (!begins || (one_byte && !conventions_.echo &&
                    (asked->complete || !conventions_.terminated_commands))) {
      if (conventions_.echo && asked->text[0] != '\r') {
        const std::size_t end = std::min(FindLineEnd(bytes, from + 2), bytes.size());
        if (KnownUnasked(bytes.substr(from, end - from))) return 0;  // the echo may still come
      }
      asked->echo = Asked::Echo::kNone;
      return 0;
    }
  }
  std::size_t i = from + MatchEcho(*asked, bytes.substr(from));
  // CR given back as CR LF.
  const bool all = asked->echoed == asked->text.size();
  if (all && i < bytes.size() && bytes[i] == '\n' && asked->text.back() == '\r' &&
      (i > from || (echo_ != nullptr && echo_->segment.bytes.back() == '\r')))
    ++i;
  if (i > from) {
    if (echo_ == nullptr) {
      Close(module_, EndedBy::kOtherSide, Duration::Zero());
      echo_ = NewSlot(SegmentKind::kEcho, Side::kModule);
      echo_turn_ = asked->turn;
      echo_->segment.turn = asked->turn;
      echo_->segment.kind_why = "the command's own bytes come back";
      echo_->Append(tape, item, from, i);
      Place(echo_);
    } else {
      echo_->Append(tape, item, from, i);
    }
  }
  if (i == bytes.size()) return i - from;
  // Something else follows in this burst.
  if (EchoIsWhole(*asked, bytes[i])) {
    asked->echo = Asked::Echo::kDone;
    CloseSlot(*echo_, EndedBy::kEchoComplete, Duration::Zero());
    echo_ = nullptr;
    // It was complete before: this may be that of the next command.
    const bool next =
        i == from && std::any_of(asked_.begin(), asked_.end(), [&](const Asked& a) {
          return a.echo == Asked::Echo::kTrying && !a.text.empty() && a.text[0] == bytes[from];
        });
    return next ? TakeEcho(tape, item, from) : i - from;
  }
  EchoFailed(*asked);
  return i - from;
}

void SegmentMachine::SettleFollowedEcho(char next) {
  Asked* asked = nullptr;
  for (Asked& a : asked_)
    if (a.turn == echo_turn_) asked = &a;
  if (asked != nullptr && !EchoIsWhole(*asked, next)) {
    EchoFailed(*asked);
    return;
  }
  if (asked != nullptr) asked->echo = Asked::Echo::kDone;
  CloseSlot(*echo_, EndedBy::kEchoComplete, Duration::Zero());
  echo_ = nullptr;
}

}  // namespace witness
