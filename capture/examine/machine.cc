#include "capture/examine/machine.h"

#include <algorithm>
#include <utility>

#include "capture/examine/lines_of.h"

namespace witness {
namespace {

// Between a CR and its LF, and between the parts of a line such as "....done" (common practice, no
// source).
constexpr Duration kLongestPauseInEnding = Duration::Milliseconds(500);
constexpr Duration kLongestPauseInLine = Duration::Seconds(2);

}  // namespace

SegmentMachine::SegmentMachine(const Conventions& conventions, const SegmenterOptions& options,
                               Sink sink)
    : conventions_(conventions),
      options_(options),
      sink_(std::move(sink)),
      silence_(conventions.silence.value),
      pair_first_(conventions.lf_cr ? '\n' : '\r'),
      pair_second_(conventions.lf_cr ? '\r' : '\n') {
  for (const Bytes& end : conventions.answer_ends)
    if (!end.empty() && end.back() != '\r' && end.back() != '\n') prompt_ends_ += end.back();
  if (conventions.answer_mark != 0) prompt_ends_ += conventions.answer_mark;
  for (const char c : prompt_ends_ + "\r\n") ends_unit_[static_cast<unsigned char>(c)] = true;
  banner_head_ = conventions.restart_head;
  begins_unasked_['R'] = true;  // RING
  for (const Bytes& head : conventions.unasked_heads) {
    if (head.empty()) continue;
    // A 0 stands for any number.
    for (const char c : head[0] == '0' ? ByteView("0123456789") : ByteView(head).substr(0, 1))
      begins_unasked_[static_cast<unsigned char>(c)] = true;
  }
}

SegmentMachine::~SegmentMachine() = default;

Slot* SegmentMachine::NewSlot(SegmentKind kind, Side side) {
  if (free_.empty()) {
    slots_.push_back(std::make_unique<Slot>());
    free_.push_back(slots_.back().get());
  }
  Slot* slot = free_.back();
  free_.pop_back();
  slot->Reset(kind, side);
  return slot;
}

void SegmentMachine::Place(Slot* slot) {
  if (queue_.empty() || queue_.back()->segment.from <= slot->segment.from) {
    queue_.push_back(slot);
    return;
  }
  auto at = queue_.end();
  const auto answers = [&](const Segment& before) {
    return before.kind == SegmentKind::kCommand && before.turn == slot->segment.turn;
  };
  while (at != queue_.begin() && (*(at - 1))->segment.from > slot->segment.from &&
         !answers((*(at - 1))->segment))
    --at;
  queue_.insert(at, slot);
}

void SegmentMachine::Release() {
  while (!queue_.empty() && queue_.front()->closed) {
    Slot* slot = queue_.front();
    queue_.pop_front();
    sink_(*slot);
    free_.push_back(slot);
  }
}

void SegmentMachine::Split(Slot& slot, std::size_t offset, Slot& rest) {
  slot.SplitInto(offset, rest);
  const MixedIn* last = nullptr;  // before the cut
  for (MixedIn& echo : mixed_in_) {
    if (echo.slot != &slot) continue;
    if (echo.offset <= offset) {
      last = &echo;
    } else {
      echo.slot = &rest;
      echo.offset -= offset;
    }
  }
  if (last != nullptr) PlaceInEvents(slot.segment, rest.segment, *last, offset);
}

void SegmentMachine::CloseSlot(Slot& slot, EndedBy why, Duration quiet) {
  if (!mixed_in_.empty() && TakeApart(slot, why, quiet)) return;
  Segment& s = slot.segment;
  EndingOf(s.bytes, s.ending);
  if (s.kind == SegmentKind::kCommand && s.ending != LineEnding::kNone && slot.text &&
      why != EndedBy::kGap && why != EndedBy::kBreak)
    why = EndedBy::kLineEnding;
  if (s.bad_bytes >= 2 && s.bad_bytes * 4 >= s.bytes.size() && s.side == Side::kModule &&
      s.kind != SegmentKind::kEcho) {
    s.kind = SegmentKind::kData;
    s.kind_why = "many of its bytes came with errors: rubbish, as at a wrong rate";
    s.sure = Sureness::kUnsure;
    s.turn = 0;
  }
  s.ended_by = why;
  s.quiet_after = why == EndedBy::kSilence ? quiet : Duration::Zero();
  const bool by_silence = why == EndedBy::kSilence || why == EndedBy::kEndOfCapture;
  if ((why == EndedBy::kSilence && quiet < silence_ + silence_ / 2) ||
      (by_silence && !conventions_.both_sides() && !conventions_.silence.clear))
    s.sure = Sureness::kUnsure;
  if (s.kind == SegmentKind::kUnsolicited && BeginsAsBanner(s.bytes)) {
    s.kind = SegmentKind::kBanner;
    s.kind_why = "it begins as the banner at the start did";
  } else if (s.kind == SegmentKind::kBanner && banner_head_.empty()) {
    banner_head_ = BannerHeadOf(Stripped(s.bytes));
  }
  slot.closed = true;
}

void SegmentMachine::Close(Lane& lane, EndedBy why, Duration quiet) {
  if (lane.open == nullptr) return;
  if (&lane == &module_) {
    FlushLine();
    cut_next_ = false;
    CutBanner();
    Slot* slot = lane.open;
    // A block's bytes may be text by chance.
    const bool block = !slot->text || !conventions_.terminated_commands;
    if (block && conventions_.IsUnaskedBlock(slot->segment.bytes)) TellUnasked(*slot);
    if (BelongsToAnswer(*slot, slot->segment.bytes.size()))
      slot->over_at = slot->segment.bytes.size();
    if (slot->over_at > 0 && slot->over_at < slot->segment.bytes.size() &&
        !Stripped(ByteView(slot->segment.bytes).substr(slot->over_at)).empty()) {
      Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
      Split(*slot, slot->over_at, *rest);
      rest->segment.kind_why = "it came behind a complete answer";
      // Of a block nobody can tell: its bytes say anything.
      if (!IsText(rest->segment.bytes)) slot->segment.sure = rest->segment.sure = Sureness::kUnsure;
      CloseSlot(*slot, EndedBy::kFraming, Duration::Zero());
      Place(rest);
      lane.open = rest;
    } else if (slot->over_at > 0 && why != EndedBy::kGap && why != EndedBy::kBreak) {
      why = EndedBy::kFraming;
    }
  }
  CloseSlot(*lane.open, why, quiet);
  lane.open = nullptr;
}

bool SegmentMachine::BeginsAsBanner(ByteView bytes) const {
  const ByteView text = Stripped(bytes);
  return !banner_head_.empty() && CountLines(text) >= 2 && BannerHeadOf(text) == banner_head_;
}

void SegmentMachine::CutBanner() {
  Slot* slot = module_.open;
  if (banner_head_.empty() || turns_ == 0 || slot->segment.kind == SegmentKind::kBanner) return;
  const Segment& s = slot->segment;
  std::size_t at = 0;
  Duration quiet;
  for (std::size_t i = 0; i < s.pieces.size(); at += s.pieces[i++].size) {
    const SegmentPiece& piece = s.pieces[i];
    if (i > 0)
      quiet = IdleBefore(s.pieces[i - 1].at, piece.at, piece.size, options_.character_time);
    // First words after a command answer it, whatever they are, but for what is known.
    if (i > 0 ? quiet <= silence_ : !slot->more && conventions_.restart_head.empty()) continue;
    if (!BeginsAsBanner(ByteView(s.bytes).substr(at))) continue;
    // What was asked for is lost.
    for (Asked& asked : asked_)
      if (asked.turn == s.turn) asked.over = true;
    if (i > 0) {
      const Instant from = s.pieces[i - 1].at, to = piece.at;
      Slot* rest = NewSlot(SegmentKind::kBanner, Side::kModule);
      slot->over_at = 0;
      Split(*slot, at, *rest);
      CloseSlot(*slot, EndedBy::kSilence, quiet);
      NobodySpoke(from, to);
      Place(rest);
      module_.open = slot = rest;
    }
    slot->over_at = 0;
    slot->segment.kind = SegmentKind::kBanner;
    slot->segment.turn = 0;
    slot->segment.sure = Sureness::kLikely;
    slot->segment.kind_why = "it begins as the banner at the start did";
    return;
  }
}

void SegmentMachine::TellUnasked(Slot& slot) {
  Segment& s = slot.segment;
  // Nothing of the answer has come yet.
  for (Asked& asked : asked_)
    if (asked.turn == s.turn && s.kind == SegmentKind::kReply && !slot.more) asked.replied = false;
  s.kind = SegmentKind::kUnsolicited;
  s.turn = 0;
  s.sure = Sureness::kLikely;
  s.kind_why = "the module says such blocks unasked";
}

void SegmentMachine::CloseAll(EndedBy why, Duration quiet) {
  SettleEcho();
  Close(host_, why, quiet);
  Close(module_, why, quiet);
  Close(other_, why, quiet);
}

void SegmentMachine::Mark(const TapeItem& item, SegmentKind kind) {
  Slot* slot = NewSlot(kind, item.side);
  slot->segment.from = slot->segment.to = item.at;
  slot->segment.first_event = slot->segment.last_event = item.event;
  slot->closed = true;
  Place(slot);
}

void SegmentMachine::NobodySpoke(Instant from, Instant to) {
  Slot* slot = NewSlot(SegmentKind::kSilence, Side::kUnknown);
  slot->segment.from = from;
  slot->segment.to = to;
  slot->closed = true;
  Place(slot);
}

void SegmentMachine::DoubtPause(Slot& slot, Duration idle) {
  // With both sides known something else than the silence decides nearly always.
  if (!conventions_.both_sides() && idle * 3 > silence_ * 2) slot.segment.sure = Sureness::kUnsure;
}

void SegmentMachine::LimitSize(Lane& lane) {
  if (lane.open != nullptr && lane.open->segment.bytes.size() >= options_.max_segment)
    Close(lane, EndedBy::kSizeLimit, Duration::Zero());
}

void SegmentMachine::Take(const Tape& tape, const TapeItem& item) {
  if (item.kind != EventKind::kBytes) {
    if (item.kind == EventKind::kGap) {
      SettleHeld();
      CloseAll(EndedBy::kGap, Duration::Zero());
      Mark(item, SegmentKind::kGap);
    } else {
      if (item.kind == EventKind::kBreak) {
        SettleHeld();
        CloseAll(EndedBy::kBreak, Duration::Zero());
      }
      Mark(item, SegmentKind::kLineEvent);
    }
    Release();
    return;
  }
  if (item.size == 0) return;
  if (anybody_) {
    const Duration idle = IdleBefore(last_any_, item.at, item.size, options_.character_time);
    if (idle > silence_ && !LineGoesOn(tape, item, idle)) {
      const bool typing = item.side == Side::kHost && host_.open != nullptr && idle < kTypedPause &&
                          TypedByHand(*host_.open);
      if (!typing) {
        SettleHeld();
        Close(host_, EndedBy::kSilence, idle);
        Close(module_, EndedBy::kSilence, idle);
        Close(other_, EndedBy::kSilence, idle);
        if (!asked_.empty()) asked_.back().complete = true;
        NobodySpoke(last_any_, item.at);
      }
    }
  }
  switch (item.side) {
    case Side::kHost:
      TakeHost(tape, item);
      break;
    case Side::kModule:
      TakeModule(tape, item);
      break;
    case Side::kUnknown:
      TakeOther(tape, item);
      break;
  }
  anybody_ = true;
  last_any_ = item.at;
  Release();
}

bool SegmentMachine::LineGoesOn(const Tape& tape, const TapeItem& item, Duration idle) const {
  const Slot* slot = module_.open;
  if (item.side != Side::kModule || slot == nullptr || host_began_ || !slot->text) return false;
  const ByteView bytes = tape.BytesOf(item);
  const char last = slot->segment.bytes.back();
  if (last == pair_first_ && bytes[0] == pair_second_) return idle <= kLongestPauseInEnding;
  if (conventions_.answers_last == 0 || last == conventions_.answers_last) return false;
  if (idle > kLongestPauseInLine || slot->segment.kind != SegmentKind::kReply ||
      slot->segment.sure == Sureness::kUnsure)
    return false;
  return !KnownUnasked(Stripped(bytes));
}

void SegmentMachine::Finish() {
  SettleHeld();
  CloseAll(EndedBy::kEndOfCapture, Duration::Zero());
  Release();
}

bool SegmentMachine::IsSettled() const {
  if (echo_ != nullptr || pair_waits_ || cut_next_ || doubt_next_ || gave_up_ || host_began_)
    return false;
  if (!held_.items.empty() || !mixed_in_.empty() || other_.open != nullptr) return false;
  const Slot* said = module_.open;
  if (said == nullptr || said->late_for != 0) return false;
  if (!host_.heard) return turns_ == 0 && said->segment.kind == SegmentKind::kData;
  if (asked_.size() != 1 || said->segment.kind != SegmentKind::kReply) return false;
  const Asked& asked = asked_.front();
  if (said->segment.turn != asked.turn || !asked.replied) return false;
  if (conventions_.terminated_commands && !asked.complete) return false;  // the host speaks on
  if (host_.open != nullptr && host_.open->segment.turn != asked.turn) return false;
  if (!conventions_.ends_known()) return true;
  const bool more = said->over_at > 0 && said->over_at < said->segment.bytes.size();
  return asked.over && !more && said->segment.bytes.back() == pair_second_;
}

void SegmentMachine::Settle() {
  CloseAll(EndedBy::kOtherSide, Duration::Zero());
  Release();
}

void SegmentMachine::PassOver(std::uint64_t commands, Instant host_last, Instant module_last) {
  turns_ += commands;
  host_.last = host_last;
  host_.may_pair = false;
  module_.last = last_any_ = module_last;
}

void SegmentMachine::TakeOther(const Tape& tape, const TapeItem& item) {
  const Duration idle = other_.heard
                            ? IdleBefore(other_.last, item.at, item.size, options_.character_time)
                            : Duration::Max();
  if (other_.open != nullptr && idle > silence_) Close(other_, EndedBy::kSilence, idle);
  if (other_.open != nullptr) DoubtPause(*other_.open, idle);
  if (other_.open == nullptr) {
    other_.open = NewSlot(SegmentKind::kData, item.side);
    other_.open->segment.kind_why = "which side spoke is not known";
  }
  const bool fresh = other_.open->segment.bytes.empty();
  other_.open->Append(tape, item, 0, item.size);
  if (fresh) Place(other_.open);
  other_.heard = true;
  other_.last = item.at;
  LimitSize(other_);
}

}  // namespace witness
