#include "capture/examine/machine.h"

#include <algorithm>
#include <utility>

#include "capture/examine/lines_of.h"
#include "capture/examine/sixteen.h"

namespace witness {
namespace {

constexpr std::size_t kMostAsked = 256;
constexpr std::size_t kKeptText = 4096;  // of a command, to tell its echo
// A person types on after this long; a program does not (common practice, no source).
constexpr Duration kTypedPause = Duration::Seconds(2);
// A program does not stop for longer in the middle of a line (common practice, no source).
constexpr Duration kBriefly = Duration::Milliseconds(20);

// Between a CR and its LF (common practice, no source).
constexpr Duration kLongestPauseInEnding = Duration::Milliseconds(500);

// Ends data that a module asked for with a prompt (common practice, no source).
constexpr char kControlZ = 0x1a;

bool EndsText(char c, char mark) {
  return c == '\r' || c == '\n' || c == kControlZ || (mark != 0 && c == mark);
}

std::size_t EndOfTextLine(ByteView bytes, std::size_t from, char mark) {
  const std::size_t at = mark == 0 ? FindAny(bytes, from, '\r', '\n', kControlZ)
                                   : FindAny(bytes, from, '\r', '\n', kControlZ, mark);
  if (at == ByteView::npos) return bytes.size();
  const bool pair = bytes[at] == '\r' && at + 1 < bytes.size() && bytes[at + 1] == '\n';
  return at + (pair ? 2 : 1);
}

// The first line of what is said at power-up, whatever its numbers are.
Bytes BannerHeadOf(ByteView text) {
  Bytes out(text.substr(0, std::min<std::size_t>(text.find_first_of("\r\n"), 64)));
  for (char& c : out)
    if (c >= '0' && c <= '9') c = '0';
  return out;
}

}  // namespace

SegmentMachine::SegmentMachine(const Conventions& conventions, const SegmenterOptions& options,
                               Sink sink)
    : conventions_(conventions),
      options_(options),
      sink_(std::move(sink)),
      silence_(conventions.silence.value) {
  for (const Bytes& end : conventions.answer_ends)
    if (!end.empty() && end.back() != '\r' && end.back() != '\n') prompt_ends_ += end.back();
  if (conventions.answer_mark != 0) prompt_ends_ += conventions.answer_mark;
  for (const char c : prompt_ends_ + "\r\n") ends_unit_[static_cast<unsigned char>(c)] = true;
  begins_unasked_['R'] = true;  // RING
  for (const Bytes& head : conventions.unasked_heads)
    if (!head.empty()) begins_unasked_[static_cast<unsigned char>(head[0])] = true;
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
  while (at != queue_.begin() && (*(at - 1))->segment.from > slot->segment.from) --at;
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

void SegmentMachine::CloseSlot(Slot& slot, EndedBy why, Duration quiet) {
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
  if (why == EndedBy::kSilence && (quiet < silence_ + silence_ / 2 ||
                                   (!conventions_.both_sides() && !conventions_.silence.clear)))
    s.sure = Sureness::kUnsure;
  if (s.kind == SegmentKind::kUnsolicited && !banner_head_.empty()) {
    const ByteView text = Stripped(s.bytes);
    if (CountLines(text) >= 2 && BannerHeadOf(text) == banner_head_) {
      s.kind = SegmentKind::kBanner;
      s.kind_why = "it begins as the banner at the start did";
    }
  } else if (s.kind == SegmentKind::kBanner && banner_head_.empty()) {
    banner_head_ = BannerHeadOf(Stripped(s.bytes));
    if (banner_head_.size() < 4) banner_head_.clear();
  }
  slot.closed = true;
}

void SegmentMachine::Close(Lane& lane, EndedBy why, Duration quiet) {
  if (lane.open == nullptr) return;
  if (&lane == &module_) {
    FlushLine();
    cut_next_ = false;
    Slot* slot = lane.open;
    if (slot->over_at > 0 && slot->over_at < slot->segment.bytes.size() &&
        !Stripped(ByteView(slot->segment.bytes).substr(slot->over_at)).empty()) {
      Slot* rest = NewSlot(SegmentKind::kUnsolicited, Side::kModule);
      slot->SplitInto(slot->over_at, *rest);
      rest->segment.kind_why = "it came behind a complete answer";
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
      CloseAll(EndedBy::kGap, Duration::Zero());
      Mark(item, SegmentKind::kGap);
    } else {
      if (item.kind == EventKind::kBreak) CloseAll(EndedBy::kBreak, Duration::Zero());
      Mark(item, SegmentKind::kLineEvent);
    }
    Release();
    return;
  }
  if (item.size == 0) return;
  if (anybody_) {
    const Duration idle = IdleBefore(last_any_, item.at, item.size, options_.character_time);
    if (idle > silence_ && !LineFeedDue(tape, item, idle)) {
      const bool typing = item.side == Side::kHost && host_.open != nullptr && idle < kTypedPause &&
                          TypedByHand(*host_.open);
      if (!typing) {
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

bool SegmentMachine::LineFeedDue(const Tape& tape, const TapeItem& item, Duration idle) const {
  return item.side == Side::kModule && module_.open != nullptr && !host_began_ &&
         module_.open->segment.bytes.back() == '\r' && tape.BytesOf(item)[0] == '\n' &&
         module_.open->text && idle <= kLongestPauseInEnding;
}

void SegmentMachine::Finish() {
  CloseAll(EndedBy::kEndOfCapture, Duration::Zero());
  Release();
}

bool SegmentMachine::TypedByHand(const Slot& slot) const {
  if (!slot.text || !conventions_.terminated_commands) return false;
  LineEnding ending;
  if (EndingOf(slot.segment.bytes, ending) > 0) return false;
  if (!asked_.empty() && asked_.back().replied) return false;
  // Judged by stamps, not by events: bytes of one stamp are one burst.
  std::size_t bursts = 0;
  Instant last;
  for (const SegmentPiece& piece : slot.segment.pieces) {
    if (bursts == 0 || piece.at != last) ++bursts;
    last = piece.at;
  }
  return slot.segment.bytes.size() <= bursts + bursts / 2;
}

bool SegmentMachine::EndsByChance(ByteView bytes, std::size_t line) const {
  if (conventions_.terminated_commands || conventions_.command_mark != 0) return false;
  switch (conventions_.framing) {
    case Framing::kModbusRtu:
    case Framing::kSlip:
    case Framing::kHdlc:
      return true;
    default:
      // A byte that happens to be 0D, 0A or 1A, with no word before it or no text behind it.
      return Stripped(bytes.substr(0, line)).size() < 2 || !IsText(bytes.substr(line));
  }
}

void SegmentMachine::TakeHost(const Tape& tape, const TapeItem& item) {
  const ByteView bytes = tape.BytesOf(item);
  const Duration idle = host_.heard
                            ? IdleBefore(host_.last, item.at, item.size, options_.character_time)
                            : Duration::Max();
  std::size_t at = 0;
  if (host_.open != nullptr) {
    LineEnding ending;
    const bool line = EndingOf(host_.open->segment.bytes, ending) > 0;
    const bool ended = host_.open->text &&
                       EndsText(host_.open->segment.bytes.back(), conventions_.command_mark) &&
                       !EndsByChance(host_.open->segment.bytes, host_.open->segment.bytes.size());
    if (host_.last_was_cr && bytes[0] == '\n' && host_.open->text && idle <= silence_) {
      host_.open->Append(tape, item, 0, 1);
      if (!asked_.empty() && asked_.back().text.size() < kKeptText) asked_.back().text += '\n';
      at = 1;
    }
    if (at < bytes.size()) {
      if (ended)
        Close(host_, line ? EndedBy::kLineEnding : EndedBy::kFraming, Duration::Zero());
      else if (idle > silence_ && !(idle < kTypedPause && TypedByHand(*host_.open)))
        Close(host_, EndedBy::kSilence, idle);
      else if (!asked_.empty() && asked_.back().replied) {
        // Where commands are lines, the module does not answer half of one.
        Asked& asked = asked_.back();
        if (conventions_.terminated_commands && host_.open->text && IsText(bytes) && !asked.over &&
            idle <= silence_ && idle <= kBriefly)
          TakeBackReply(asked, item.at);
        else
          Close(host_, EndedBy::kOtherSide, Duration::Zero());
      }
    }
  }
  while (at < bytes.size()) {
    if (host_.open == nullptr) BeginCommand(item, at == 0 ? idle : Duration::Zero());
    std::size_t end = bytes.size();
    bool line_ended = false;
    if (host_.open->text) {
      end = EndOfTextLine(bytes, at, conventions_.command_mark);
      if (!IsText(bytes.substr(at, end - at)) || EndsByChance(bytes.substr(at), end - at))
        end = bytes.size();
      else
        line_ended = EndsText(bytes[end - 1], conventions_.command_mark);
    }
    const bool fresh = host_.open->segment.bytes.empty();
    host_.open->Append(tape, item, at, end);
    if (fresh) Place(host_.open);
    Asked& asked = asked_.back();
    asked.last = item.at;
    if (asked.text.size() < kKeptText) asked.text += bytes.substr(at, end - at);
    if (fresh) AdoptEarlyReply(asked, item.at);
    if (line_ended) asked.complete = true;
    if (line_ended && end < bytes.size()) {
      const bool line = bytes[end - 1] == '\r' || bytes[end - 1] == '\n';
      Close(host_, line ? EndedBy::kLineEnding : EndedBy::kFraming, Duration::Zero());
    }
    at = end;
    LimitSize(host_);
  }
  host_.heard = true;
  host_.last = item.at;
  host_.last_was_cr = bytes.back() == '\r';
}

void SegmentMachine::AdoptEarlyReply(Asked& asked, Instant at) {
  Slot* slot = module_.open;
  if (slot == nullptr || cut_next_ || asked_.size() != 1 || !conventions_.both_sides()) return;
  Segment& s = slot->segment;
  if (s.kind != SegmentKind::kUnsolicited && s.kind != SegmentKind::kBanner) return;
  if (slot->late_for != 0 || at - s.from > options_.stamp_uncertainty) return;
  s.sure = Sureness::kUnsure;
  s.kind_why = "it is stamped before the command, but may be its answer: stamps are no finer";
  const ByteView line = Stripped(s.bytes);
  const bool line_open =
      slot->text && !line.empty() && s.bytes.back() != '\r' && s.bytes.back() != '\n';
  const bool answers =
      line_open || IsLastLine(s.bytes) ||
      (line.size() > 3 && line[0] == '+' && asked.text.find(NameOf(HeadOf(line))) != Bytes::npos);
  if (!answers || !conventions_.ends_known()) return;
  s.kind = SegmentKind::kReply;
  s.turn = asked.turn;
  s.sure = Sureness::kLikely;
  s.kind_why = "it answers the command that is stamped later: stamps are no finer";
  asked.replied = true;
  slot->scanned = slot->unit = slot->over_at = 0;
  cr_waits_ = false;
  ScanLines();
}

void SegmentMachine::TakeBackReply(Asked& asked, Instant at) {
  // The end of the command may only have been stamped late.
  if (module_.open != nullptr && at - module_.open->segment.from <= options_.stamp_uncertainty)
    return;
  Close(module_, EndedBy::kOtherSide, Duration::Zero());
  for (Slot* slot : queue_) {
    Segment& s = slot->segment;
    if (s.turn != asked.turn || s.kind != SegmentKind::kReply) continue;
    s.kind = SegmentKind::kUnsolicited;
    s.sure = std::min(s.sure, Sureness::kLikely);
    s.kind_why = "it came in the middle of a command";
    s.turn = 0;
  }
  asked.replied = false;
}

void SegmentMachine::ForgetFirst() {
  spare_text_.swap(asked_.front().text);
  asked_.pop_front();
}

void SegmentMachine::BeginCommand(const TapeItem& item, Duration idle) {
  const Duration usual = conventions_.usual_turnaround;
  const Duration patience = std::max(silence_, usual + usual / 2);
  const bool module_silent =
      !module_.heard || IdleBefore(module_.last, item.at, item.size, Duration::Zero()) > silence_;
  while (!asked_.empty()) {
    const Asked& front = asked_.front();
    const bool answered =
        front.over ||
        (front.replied && (!conventions_.ends_known() || (module_silent && idle > silence_)));
    // A Modbus master asks one at a time (Modbus over Serial Line V1.02, 2.1).
    const bool one_at_a_time = conventions_.framing == Framing::kModbusRtu ||
                               conventions_.framing == Framing::kModbusAscii;
    const bool given_up =
        !front.replied && (idle >= patience || one_at_a_time || Stripped(front.text).empty());
    if (!answered && !given_up) break;
    if (!answered && !Stripped(front.text).empty()) {
      gave_up_ = true;
      gave_up_at_ = front.last;
    }
    if (echo_ != nullptr && echo_turn_ == front.turn) SettleEcho();
    ForgetFirst();
  }
  if (asked_.size() > kMostAsked) ForgetFirst();
  Asked asked;
  asked.turn = ++turns_;
  asked.text.swap(spare_text_);
  asked.text.clear();
  asked_.push_back(std::move(asked));
  host_.open = NewSlot(SegmentKind::kCommand, Side::kHost);
  host_.open->segment.turn = turns_;
  host_began_ = true;
  host_began_at_ = item.at;
  host_began_bytes_ = item.size;
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
