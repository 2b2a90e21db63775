// The module's side of SegmentMachine: replies, unasked lines.
#include <algorithm>
#include <cctype>

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
// A module does not stop for longer in the middle of a line without a reason (the same).
constexpr Duration kBriefly = Duration::Milliseconds(20);

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
  if (!conventions_.HasUnaskedHead(line)) return false;
  const ByteView name = NameOf(HeadOf(line));
  for (const Asked& asked : asked_)
    if (!asked.over && asked.text.find(name) != Bytes::npos) return false;
  return true;
}

bool SegmentMachine::BeginsUnaskedBlock(ByteView bytes, Duration idle) const {
  const Slot* slot = module_.open;
  // A UART that gathers bytes hands over the last ones four characters later (a 16550, from
  // memory).
  const Duration no_pause = options_.stamp_uncertainty + options_.character_time * 4;
  return !slot->text && slot->segment.kind == SegmentKind::kReply && idle > no_pause &&
         conventions_.IsUnaskedBlock(bytes) && !conventions_.IsUnaskedBlock(slot->segment.bytes);
}

const Conventions::SecondAnswer* SegmentMachine::SecondAnswerOf(ByteView line) const {
  if (conventions_.second_answers.empty() || asked_.empty()) return nullptr;
  const bool late = module_.open != nullptr && module_.open->late_for == asked_.back().turn;
  if (!asked_.back().replied && !late) return nullptr;
  const Bytes command = ValueSortOf(Stripped(asked_.back().text)), sort = ValueSortOf(line);
  for (const auto& second : conventions_.second_answers)
    if (second.command == command && second.line == sort) return &second;
  return nullptr;
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

bool SegmentMachine::LooksLikePrompt(ByteView bytes) {
  if (bytes.size() < 2 || bytes.back() != ' ') return false;
  const char before = bytes[bytes.size() - 2];
  return std::ispunct(static_cast<unsigned char>(before)) != 0;
}

bool SegmentMachine::AsksForMore(const Slot& slot) const {
  const ByteView bytes = slot.segment.bytes;
  return bytes.ends_with("> ") && LastLine(bytes) == "> ";
}

bool SegmentMachine::BelongsToAnswer(const Slot& slot, std::size_t end) const {
  if (slot.over_at == 0 || slot.over_at >= end || slot.segment.kind != SegmentKind::kReply ||
      !IsLineEnd(slot.segment.bytes[slot.over_at - 1]))
    return false;
  const ByteView rest = ByteView(slot.segment.bytes).substr(slot.over_at, end - slot.over_at);
  if (FindLineEnd(rest, 0) == ByteView::npos) return rest == ">" || LooksLikePrompt(rest);
  if (asked_.size() != 1 || slot.segment.turn != asked_.back().turn) return false;
  const ByteView line = Stripped(rest), head = HeadOf(line);
  return line.size() > 3 && line[0] == '+' && head.back() == ':' && CountLines(line) == 1 &&
         asked_.back().text.find(NameOf(head)) != Bytes::npos;
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
  const Duration longest_wait =
      std::clamp(conventions_.usual_turnaround * 4, kUsualWait, kLongestWait);
  const auto waited = [&](const Asked& asked) {
    return IdleBefore(asked.last, item.at, item.size, options_.character_time);
  };
  // Of several that wait it answers the last, where only one is ever answered, and hardly one that
  // was asked very long ago.
  const bool answers_last = conventions_.one_of_several && !asked_.empty() &&
                            asked_.back().complete &&
                            waited(asked_.back()) * 2 >= conventions_.quick_turnaround;
  bool passed_over = false;
  while (asked_.size() > 1 && !asked_.front().replied && !asked_.front().over) {
    const bool too_old =
        waited(asked_.front()) >= longest_wait && waited(asked_.back()) < longest_wait;
    if (!too_old && !answers_last) break;
    passed_over = passed_over || !answers_last;
    ForgetFirst();
  }
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
    if (waited(*asked) >= longest_wait) {
      module_.open->late_for = asked->turn;
      s.sure = Sureness::kUnsure;
      s.kind_why = "it came so long after the command that it is hardly its answer";
      return;
    }
    s.kind = SegmentKind::kReply;
    s.kind_why = "first words after a command";
    if (passed_over) s.sure = Sureness::kUnsure;
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
  module_.open->more = asked->replied && silent;
  asked->replied = true;
  s.turn = asked->turn;
}

void SegmentMachine::EndOfLine(std::size_t end) {
  Slot* slot = module_.open;
  const ByteView content =
      Stripped(ByteView(slot->segment.bytes).substr(slot->unit, end - slot->unit));
  if (content.empty()) return;
  // What ends in the midst of a block of other bytes is not the end of the answer.
  if (slot->over_at > 0 && !slot->text && asked_.size() <= 1 &&
      !IsText(ByteView(slot->segment.bytes).substr(slot->over_at)))
    slot->over_at = 0;
  const auto cut = [&](std::size_t offset, EndedBy why) {
    Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
    rest->scanned = slot->scanned - offset;
    Split(*slot, offset, *rest);
    CloseSlot(*slot, why, Duration::Zero());
    Place(rest);
    module_.open = slot = rest;
    end -= offset;
  };
  if (BelongsToAnswer(*slot, end)) {
    slot->over_at = slot->unit = end;
    return;
  }
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
    const auto* second = SecondAnswerOf(content);
    if (second != nullptr && slot->unit == 0) slot->segment.sure = Sureness::kUnsure;
    slot->unit = end;
    cut_next_ = true;
    return;
  }
  const bool unasked = slot->unit == 0 && slot->segment.kind == SegmentKind::kUnsolicited;
  const auto* second = unasked ? SecondAnswerOf(content) : nullptr;
  if (second != nullptr && !second->likely) {
    slot->segment.sure = Sureness::kUnsure;
    slot->segment.kind_why = "it came after each such command: it may be a second answer";
  } else if (second != nullptr) {
    slot->segment.kind = SegmentKind::kReply;
    slot->segment.sure = Sureness::kLikely;
    slot->segment.turn = asked_.back().turn;
    slot->segment.kind_why = "it comes after such a command, and only then";
    asked_.back().replied = true;
    slot->unit = end;
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
  if (last || asked_.size() > 1 || conventions_.one_of_several) slot->over_at = end;
  for (Asked& asked : asked_)
    if (asked.turn == slot->segment.turn) asked.over = true;
}

void SegmentMachine::FlushLine() {
  if (!pair_waits_) return;
  pair_waits_ = false;
  if (module_.open != nullptr) EndOfLine(module_.open->scanned);
}

void SegmentMachine::ScanLines() {
  if (!conventions_.both_sides()) return;
  if (!conventions_.ends_known() && conventions_.unasked_heads.empty() &&
      conventions_.second_answers.empty() && asked_.size() < 2) {
    if (module_.open != nullptr)
      module_.open->scanned = module_.open->unit = module_.open->segment.bytes.size();
    return;
  }
  while (module_.open != nullptr && module_.open->scanned < module_.open->segment.bytes.size()) {
    Slot* slot = module_.open;
    const char c = slot->segment.bytes[slot->scanned];
    if (pair_waits_) {
      pair_waits_ = false;
      if (c == pair_second_) ++slot->scanned;
      EndOfLine(slot->scanned);
      continue;
    }
    if (cut_next_ && slot->scanned >= slot->unit && slot->unit > 0) {
      // An unasked line is over; what follows is something else again.
      Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
      const std::size_t offset = slot->unit;
      Split(*slot, offset, *rest);
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
    } else if (c == pair_second_) {
      EndOfLine(slot->scanned);
    } else if (c == pair_first_) {
      pair_waits_ = true;
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

void SegmentMachine::SayModule(const Tape& tape, const TapeItem& item, std::size_t from,
                               std::size_t to) {
  const ByteView bytes = tape.BytesOf(item).substr(0, to);
  const Duration idle = module_.heard
                            ? IdleBefore(module_.last, item.at, item.size, options_.character_time)
                            : Duration::Max();
  if (module_.open != nullptr && idle > silence_ && !LineGoesOn(tape, item, idle))
    Close(module_, EndedBy::kSilence, idle);
  if (module_.open != nullptr && BeginsUnaskedBlock(bytes.substr(from), idle))
    Close(module_, EndedBy::kFraming, Duration::Zero());
  if (module_.open != nullptr) DoubtPause(*module_.open, idle);
  const char first = bytes[from];
  if (pair_waits_ && first != pair_second_) FlushLine();
  bool in_doubt = false;  // whether it is more of what was said before the host began
  if (module_.open != nullptr && host_began_) {
    // More of an answer that the host did not wait for? Surely if the command that began since
    // took longer on the line than the module paused; likely if the result code is due.
    const Asked* asked = nullptr;
    for (const Asked& a : asked_)
      if (a.turn == module_.open->segment.turn) asked = &a;
    const char last = module_.open->segment.bytes.back();
    const bool line_open =
        conventions_.terminated_replies && module_.open->text &&
        ((last != '\r' && last != '\n') || (last == pair_first_ && first == pair_second_));
    // A prompt waits for a command; what only looks like one goes on at once.
    const bool waits = AsksForMore(*module_.open) ||
                       (LooksLikePrompt(module_.open->segment.bytes) && asked_.back().complete &&
                        idle > kBriefly + options_.stamp_uncertainty);
    const bool ends_surely = conventions_.result_codes || conventions_.answers_always_end;
    // What came behind a complete answer began the next.
    const std::size_t size = module_.open->segment.bytes.size();
    const bool next_began = module_.open->over_at > 0 && module_.open->over_at < size &&
                            !BelongsToAnswer(*module_.open, size);
    const bool due = next_began || (line_open && !waits) ||
                     (ends_surely && module_.open->segment.kind == SegmentKind::kReply &&
                      asked != nullptr && !asked->over && !AsksForMore(*module_.open));
    const bool no_time =
        idle * 2 < options_.character_time * static_cast<std::int64_t>(host_began_bytes_);
    const bool echo_comes = conventions_.echo && !asked_.empty() && !asked_.back().text.empty() &&
                            first == asked_.back().text[0];
    if (!(due || no_time) || echo_comes) {
      if (AsksForMore(*module_.open))
        for (Asked& a : asked_)
          if (a.turn == module_.open->segment.turn) a.over = true;
      in_doubt = !conventions_.terminated_commands && idle <= options_.stamp_uncertainty;
      if (in_doubt) module_.open->segment.sure = Sureness::kUnsure;
      Close(module_, EndedBy::kOtherSide, Duration::Zero());
    }
  }
  std::size_t at = from;
  while (at < bytes.size()) {
    const bool ends_pair = pair_waits_ && bytes[at] == pair_second_ && module_.open != nullptr;
    if (!ends_pair) {
      // What was known to be over is over once something else comes.
      FlushLine();
      if (cut_next_) Close(module_, EndedBy::kLineEnding, Duration::Zero());
      const std::size_t echoed = TakeEcho(tape, item, at);
      at += echoed;
      if (at == bytes.size()) break;
      if (echo_ != nullptr) SettleFollowedEcho(bytes[at]);
    }
    if (module_.open == nullptr) {
      OpenModule(item, at == from ? idle : Duration::Zero());
      if (in_doubt) module_.open->segment.sure = Sureness::kUnsure;
      in_doubt = false;
    }
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

}  // namespace witness
