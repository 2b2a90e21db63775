// The module's side of SegmentMachine: echo, reply, unasked lines.
#include <algorithm>

#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/protocols/v250.h"

namespace witness {
namespace {

// How long a first reply byte may take before it is doubted that it is one, and how long a pause
// may be inside an answer (common practice, no source; `ask` waits as long by default).
constexpr Duration kUsualWait = Duration::Seconds(2);
constexpr Duration kLongestWait = Duration::Seconds(3);
constexpr Duration kUsualQuiet = Duration::Milliseconds(500);

}  // namespace

SegmentMachine::Asked* SegmentMachine::Answering() {
  for (Asked& asked : asked_)
    if (!asked.over) return &asked;
  return nullptr;
}

void SegmentMachine::DropSettled() {
  while (asked_.size() > 1) {
    const Asked& front = asked_.front();
    if (!front.over && !(front.replied && !conventions_.ends_known())) break;
    ForgetFirst();
  }
}

bool SegmentMachine::KnownUnasked(ByteView line) const {
  if (line.empty() || !begins_unasked_[static_cast<unsigned char>(line[0])]) return false;
  if (line == "RING") return true;  // V.250 table 1: nobody asks for it
  if (conventions_.unasked_heads.empty()) return false;
  const Bytes sort = SortOf(line);
  if (std::find(conventions_.unasked_heads.begin(), conventions_.unasked_heads.end(), sort) ==
      conventions_.unasked_heads.end())
    return false;
  const ByteView name = NameOf(HeadOf(line));
  for (const Asked& asked : asked_)
    if (!asked.over && asked.text.find(name) != Bytes::npos) return false;
  return true;
}

bool SegmentMachine::IsLastLine(ByteView unit) const {
  const ByteView line = LastLineWithEnding(unit);
  if (conventions_.answer_mark != 0 && !unit.empty() && unit.back() == conventions_.answer_mark)
    return true;
  if (conventions_.result_codes &&
      (v250::IsFinalResultCode(Stripped(line)) || v250::NumericResultCode(line) != nullptr))
    return true;
  return std::find(conventions_.answer_ends.begin(), conventions_.answer_ends.end(), line) !=
         conventions_.answer_ends.end();
}

bool SegmentMachine::AsksForMore(const Slot& slot) const {
  const ByteView line = LastLine(slot.segment.bytes);
  return conventions_.result_codes && line == "> ";
}

// ---- echo ----

// Whether what came back of the command is an echo if `next` follows it. Some modules do not give
// its ending back; their answer begins with one.
bool SegmentMachine::EchoIsWhole(const Asked& asked, char next) {
  if (asked.echoed == 0) return false;
  const ByteView left = ByteView(asked.text).substr(asked.echoed);
  return left.empty() || (Stripped(left).empty() && (next == '\r' || next == '\n'));
}

void SegmentMachine::EchoFailed(Asked& asked) {
  asked.echo = Asked::Echo::kNone;
  asked.replied = true;
  Slot* slot = echo_;
  echo_ = nullptr;
  slot->segment.kind = SegmentKind::kReply;
  slot->segment.kind_why = "";
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

std::size_t SegmentMachine::TakeEcho(const Tape& tape, const TapeItem& item, std::size_t from) {
  const ByteView bytes = tape.BytesOf(item);
  Asked* const asked = EchoedBy(bytes.substr(from));
  if (asked == nullptr) return 0;
  const bool one_byte = Stripped(asked->text).size() < 2;
  if (echo_ == nullptr) {
    if (asked->replied) return 0;
    const bool may_begin = module_.open == nullptr || module_.open->over_at > 0 || cut_next_;
    if (!may_begin) return 0;
    if (bytes[from] != asked->text[0] || (one_byte && !conventions_.echo &&
                                          (asked->complete || !conventions_.terminated_commands))) {
      if (conventions_.echo && asked->text[0] != '\r') {
        const std::size_t end = std::min(FindLineEnd(bytes, from + 2), bytes.size());
        if (KnownUnasked(bytes.substr(from, end - from))) return 0;  // the echo may still come
      }
      asked->echo = Asked::Echo::kNone;
      return 0;
    }
  }
  std::size_t i = from;
  while (i < bytes.size() && asked->echoed < asked->text.size() &&
         bytes[i] == asked->text[asked->echoed]) {
    ++i;
    ++asked->echoed;
  }
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
    return i - from;
  }
  EchoFailed(*asked);
  return i - from;
}

// ---- replies and what comes unasked ----

void SegmentMachine::OpenModule(const TapeItem& item, Duration idle) {
  module_.open = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
  Segment& s = module_.open->segment;
  if (!conventions_.both_sides()) {
    s.kind = SegmentKind::kData;
    s.kind_why = "only one side was heard";
    return;
  }
  const bool silent = idle > silence_;
  if (conventions_.ends_known() && silent && asked_.size() > 1 && asked_.front().replied)
    ForgetFirst();  // its result code never came, and another command did
  DropSettled();
  Asked* asked = Answering();
  if (asked == nullptr) {
    if (turns_ == 0) {
      s.kind = SegmentKind::kBanner;
      s.kind_why = "the module spoke before any command";
    } else {
      s.kind_why = "no command waits for an answer";
    }
    return;
  }
  if (!asked->replied) {
    const Duration wait = IdleBefore(asked->last, item.at, item.size, options_.character_time);
    if (wait >= std::clamp(conventions_.usual_turnaround * 4, kUsualWait, kLongestWait)) {
      module_.open->late_for = asked->turn;
      s.sure = Sureness::kUnsure;
      s.kind_why = "it came so long after the command that it is hardly its answer";
      return;
    }
    s.kind = SegmentKind::kReply;
    s.kind_why = "first words after a command";
    const bool late_one_may_come = gave_up_ && item.at - gave_up_at_ < kUsualWait;
    if ((asked_.size() > 1 || late_one_may_come) && !conventions_.ends_known())
      s.sure = Sureness::kUnsure;
    gave_up_ = false;
  } else if (conventions_.answers_always_end) {
    s.kind = SegmentKind::kReply;
    s.kind_why = conventions_.result_codes ? "the command's result code has not come yet"
                                           : "what such answers end with has not come yet";
  } else if (!silent) {
    s.kind = SegmentKind::kReply;
    s.kind_why = "it goes on without a silence";
  } else if (idle <= std::max(kUsualQuiet, silence_ * 3)) {
    s.kind = SegmentKind::kReply;
    s.sure = Sureness::kUnsure;
    s.kind_why = "it came soon after the rest of the answer; it may be unasked";
  } else {
    s.sure = Sureness::kUnsure;
    s.kind_why = "it came long after the answer; it may be more of it";
    return;
  }
  asked->replied = true;
  s.turn = asked->turn;
}

void SegmentMachine::EndOfLine(std::size_t end) {
  Slot* slot = module_.open;
  const ByteView content =
      Stripped(ByteView(slot->segment.bytes).substr(slot->unit, end - slot->unit));
  if (content.empty()) return;
  const auto cut = [&](std::size_t offset, EndedBy why) {
    Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
    rest->scanned = slot->scanned - offset;
    slot->SplitInto(offset, *rest);
    CloseSlot(*slot, why, Duration::Zero());
    Place(rest);
    module_.open = slot = rest;
    end -= offset;
  };
  if (slot->over_at > 0) {
    cut(slot->over_at, EndedBy::kFraming);
    slot->segment.turn = 0;
    slot->segment.kind_why = "no command waits for an answer";
    DropSettled();
    if (Asked* asked = Answering()) {
      asked->replied = true;
      slot->segment.kind = SegmentKind::kReply;
      slot->segment.kind_why = "the answer before was complete and another command waits";
      slot->segment.turn = asked->turn;
    }
  }
  if (KnownUnasked(Stripped(ByteView(slot->segment.bytes).substr(slot->unit, end - slot->unit)))) {
    if (slot->unit > 0) {
      const SegmentKind before = slot->segment.kind;
      const bool answer_before = before == SegmentKind::kReply;
      cut(slot->unit, EndedBy::kLineEnding);
      if (!answer_before) slot->segment.turn = 0;
    } else if (slot->segment.kind == SegmentKind::kReply) {
      // Nothing of the answer has come yet.
      for (Asked& asked : asked_)
        if (asked.turn == slot->segment.turn) asked.replied = false;
    }
    slot->segment.kind = SegmentKind::kUnsolicited;
    slot->segment.kind_why = "the module says such lines unasked";
    slot->unit = end;
    cut_next_ = true;
    return;
  }
  const bool last = IsLastLine(ByteView(slot->segment.bytes).substr(slot->unit, end - slot->unit));
  slot->unit = end;
  if (last && slot->late_for != 0 && slot->segment.kind == SegmentKind::kUnsolicited) {
    slot->segment.kind = SegmentKind::kReply;
    slot->segment.turn = slot->late_for;
    slot->segment.sure = Sureness::kLikely;
    slot->segment.kind_why = "it came late, but it ends as answers do";
  }
  if (slot->segment.kind != SegmentKind::kReply) return;
  if (!last && !conventions_.one_line_replies) return;
  // One line was the whole answer so far as was seen; more of it at once is likelier more of it
  // than unasked, unless another command waits.
  if (last || asked_.size() > 1) slot->over_at = end;
  for (Asked& asked : asked_)
    if (asked.turn == slot->segment.turn) asked.over = true;
}

void SegmentMachine::FlushLine() {
  if (!cr_waits_) return;
  cr_waits_ = false;
  if (module_.open != nullptr) EndOfLine(module_.open->scanned);
}

void SegmentMachine::ScanLines() {
  if (!conventions_.both_sides()) return;
  if (!conventions_.ends_known() && conventions_.unasked_heads.empty() && asked_.size() < 2) {
    if (module_.open != nullptr)
      module_.open->scanned = module_.open->unit = module_.open->segment.bytes.size();
    return;
  }
  while (module_.open != nullptr && module_.open->scanned < module_.open->segment.bytes.size()) {
    Slot* slot = module_.open;
    const char c = slot->segment.bytes[slot->scanned];
    if (cr_waits_) {
      cr_waits_ = false;
      if (c == '\n') ++slot->scanned;
      EndOfLine(slot->scanned);
      continue;
    }
    if (cut_next_ && slot->scanned >= slot->unit && slot->unit > 0) {
      // An unasked line is over; what follows is something else again.
      Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
      const std::size_t offset = slot->unit;
      slot->SplitInto(offset, *rest);
      rest->segment.turn = 0;
      CloseSlot(*slot, EndedBy::kLineEnding, Duration::Zero());
      cut_next_ = false;
      module_.open = rest;
      Place(rest);
      Retell(*rest);
      continue;
    }
    ++slot->scanned;
    if (!ends_unit_[static_cast<unsigned char>(c)]) {
      // Nothing ends before the next of those.
      const Bytes& bytes = slot->segment.bytes;
      if (prompt_ends_.empty())
        slot->scanned = std::min(FindLineEnd(bytes, slot->scanned), bytes.size());
      while (slot->scanned < bytes.size() &&
             !ends_unit_[static_cast<unsigned char>(bytes[slot->scanned])])
        ++slot->scanned;
    } else if (c == '\n') {
      EndOfLine(slot->scanned);
    } else if (c == '\r') {
      cr_waits_ = true;
    } else if (!prompt_ends_.empty() && prompt_ends_.find(c) != Bytes::npos) {
      // What stands in place of a last line has no ending to wait for.
      const ByteView unit =
          ByteView(slot->segment.bytes).substr(slot->unit, slot->scanned - slot->unit);
      if (IsLastLine(unit)) EndOfLine(slot->scanned);
    }
  }
}

void SegmentMachine::Retell(Slot& slot) {
  Asked* asked = Answering();
  if (asked == nullptr) {
    slot.segment.kind = turns_ == 0 ? SegmentKind::kBanner : SegmentKind::kUnsolicited;
    slot.segment.kind_why =
        turns_ == 0 ? "the module spoke before any command" : "no command waits for an answer";
    return;
  }
  asked->replied = true;
  slot.segment.kind = SegmentKind::kReply;
  slot.segment.kind_why = "a command waits for its answer";
  slot.segment.turn = asked->turn;
}

void SegmentMachine::TakeModule(const Tape& tape, const TapeItem& item) {
  const ByteView bytes = tape.BytesOf(item);
  const Duration idle = module_.heard
                            ? IdleBefore(module_.last, item.at, item.size, options_.character_time)
                            : Duration::Max();
  if (module_.open != nullptr && idle > silence_ && !LineFeedDue(tape, item, idle))
    Close(module_, EndedBy::kSilence, idle);
  if (module_.open != nullptr) DoubtPause(*module_.open, idle);
  if (cr_waits_ && bytes[0] != '\n') FlushLine();
  if (module_.open != nullptr && host_began_) {
    // More of an answer that the host did not wait for? Surely if the command that began since
    // took longer on the line than the module paused; likely if the result code is due.
    const Asked* asked = nullptr;
    for (const Asked& a : asked_)
      if (a.turn == module_.open->segment.turn) asked = &a;
    const char last = module_.open->segment.bytes.back();
    const bool line_open = conventions_.terminated_replies && module_.open->text &&
                           ((last != '\r' && last != '\n') || (last == '\r' && bytes[0] == '\n'));
    const bool ends_surely = conventions_.result_codes || conventions_.answers_always_end;
    // What came behind a complete answer began the next.
    const bool next_began =
        module_.open->over_at > 0 && module_.open->over_at < module_.open->segment.bytes.size();
    const bool due = line_open || next_began ||
                     (ends_surely && module_.open->segment.kind == SegmentKind::kReply &&
                      asked != nullptr && !asked->over && !AsksForMore(*module_.open));
    const bool no_time =
        idle * 2 < options_.character_time * static_cast<std::int64_t>(host_began_bytes_);
    const bool echo_comes = conventions_.echo && !asked_.empty() && !asked_.back().text.empty() &&
                            bytes[0] == asked_.back().text[0];
    if (!(due || no_time) || echo_comes) {
      if (AsksForMore(*module_.open))
        for (Asked& a : asked_)
          if (a.turn == module_.open->segment.turn) a.over = true;
      Close(module_, EndedBy::kOtherSide, Duration::Zero());
    }
  }
  std::size_t at = 0;
  while (at < bytes.size()) {
    const bool lf_of_cr = cr_waits_ && bytes[at] == '\n' && module_.open != nullptr;
    if (!lf_of_cr) {
      // What was known to be over is over once something else comes.
      FlushLine();
      if (cut_next_) Close(module_, EndedBy::kLineEnding, Duration::Zero());
      const std::size_t echoed = TakeEcho(tape, item, at);
      at += echoed;
      if (at == bytes.size()) break;
      if (echo_ != nullptr) SettleFollowedEcho(bytes[at]);
    }
    if (module_.open == nullptr) OpenModule(item, at == 0 ? idle : Duration::Zero());
    std::size_t end = bytes.size();
    if (asked_.size() > 1 && asked_.back().echo == Asked::Echo::kTrying) {
      const std::size_t line = bytes.find('\n', at);
      if (line != ByteView::npos) end = line + 1;
    }
    const bool fresh = module_.open->segment.bytes.empty();
    module_.open->Append(tape, item, at, end);
    if (fresh) Place(module_.open);
    ScanLines();
    at = end;
    LimitSize(module_);
  }
  host_began_ = false;
  module_.heard = true;
  module_.last = item.at;
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
