// The host's side of SegmentMachine: where its commands end.
#include <algorithm>
#include <utility>

#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/sixteen.h"

namespace witness {
namespace {

constexpr std::size_t kMostAsked = 256;
constexpr std::size_t kKeptText = 4096;  // of a command, to tell its echo
// A program does not stop for longer in the middle of a line (common practice, no source).
constexpr Duration kBriefly = Duration::Milliseconds(20);

// Ends data that a module asked for with a prompt (common practice, no source).
constexpr char kControlZ = 0x1a;

bool EndsText(char c, char mark) {
  return c == '\r' || c == '\n' || c == kControlZ || (mark != 0 && c == mark);
}

// Behind the line that begins at `from`, and its ending; the end of `bytes` if it has none. `first`
// and `second`: of a pair that ends a line.
std::size_t EndOfTextLine(ByteView bytes, std::size_t from, char mark, char first, char second) {
  const std::size_t at = mark == 0 ? FindAny(bytes, from, '\r', '\n', kControlZ)
                                   : FindAny(bytes, from, '\r', '\n', kControlZ, mark);
  if (at == ByteView::npos) return bytes.size();
  const bool pair = bytes[at] == first && at + 1 < bytes.size() && bytes[at + 1] == second;
  return at + (pair ? 2 : 1);
}

// Whether `line` is hardly one that somebody wrote: too short, or with control characters.
bool IsHardlyALine(ByteView line) {
  line = Stripped(line);
  if (line.size() < 3) return true;
  return std::any_of(line.begin(), line.end(), [](char c) {
    return c != '\t' && (static_cast<unsigned char>(c) < 0x20 || c == 0x7f);
  });
}

}  // namespace

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

bool SegmentMachine::EndedByChance(ByteView said, ByteView next) const {
  if (!IsHardlyALine(said)) return false;
  return !IsText(next) || (!conventions_.terminated_commands && conventions_.command_mark == 0);
}

bool SegmentMachine::EndsByChance(ByteView bytes, std::size_t line) const {
  if (line == bytes.size() && conventions_.terminated_commands) return false;  // nearly always
  const ByteView behind = bytes.substr(line);
  if (!behind.empty() && EndedByChance(bytes.substr(0, line), behind)) return true;
  if (conventions_.terminated_commands || conventions_.command_mark != 0) return false;
  switch (conventions_.framing) {
    case Framing::kModbusRtu:
    case Framing::kSlip:
    case Framing::kHdlc:
      return true;
    default:
      // A byte that happens to be 0D, 0A or 1A, with no word before it or no text behind it.
      return Stripped(bytes.substr(0, line)).size() < 2 || !IsText(behind);
  }
}

bool SegmentMachine::EndsWithByteMark(ByteView said) const {
  const std::size_t times = conventions_.command_mark_times;
  return times > 1 && said.size() >= times &&
         said.find_last_not_of(conventions_.command_mark) + 1 + times <= said.size();
}

std::size_t SegmentMachine::EndOfMarked(ByteView said, ByteView bytes, std::size_t from) const {
  std::size_t marks = said.size() - (said.find_last_not_of(conventions_.command_mark) + 1);
  for (std::size_t at = from; at < bytes.size(); ++at) {
    marks = bytes[at] == conventions_.command_mark ? marks + 1 : 0;
    if (marks == conventions_.command_mark_times) return at + 1;
  }
  return 0;
}

void SegmentMachine::CloseLine(bool line, bool block_follows) {
  // It may be the beginning of a block that happens to be text.
  if (block_follows) host_.open->segment.sure = Sureness::kUnsure;
  doubt_next_ = block_follows;
  Close(host_, line ? EndedBy::kLineEnding : EndedBy::kFraming, Duration::Zero());
}

bool SegmentMachine::WasGivenBack() const {
  if (!conventions_.echo || conventions_.terminated_commands || asked_.empty()) return false;
  const Asked& asked = asked_.back();
  return asked.echoed > 0 && asked.echoed == asked.text.size() && !asked.replied;
}

bool SegmentMachine::WaitedInVain(Duration idle) const {
  if (!WasGivenBack()) return false;
  const Duration usual = conventions_.usual_turnaround;
  return usual > Duration::Zero() && idle > usual * 2 && idle > kBriefly;
}

void SegmentMachine::SpeakOnAfterReply(Instant at, ByteView bytes, Duration idle) {
  Asked& asked = asked_.back();
  const bool line_open = conventions_.terminated_commands && host_.open->text && IsText(bytes);
  const bool in_doubt = idle <= options_.stamp_uncertainty;
  // Where commands are lines, the module does not answer half of one.
  if (line_open && !asked.over && idle <= silence_ && idle <= kBriefly) {
    TakeBackReply(asked, at);
    return;
  }
  if (line_open && in_doubt) return;  // the rest of the command is stamped behind its answer
  Slot* const said = host_.open;
  Close(host_, EndedBy::kOtherSide, Duration::Zero());
  if (conventions_.terminated_commands || !in_doubt) return;
  said->segment.sure = Sureness::kUnsure;
  if (module_.open != nullptr) module_.open->segment.sure = Sureness::kUnsure;
  doubt_next_ = true;
}

bool SegmentMachine::AnsweredSince() const {
  return !conventions_.terminated_commands && module_.open != nullptr &&
         module_.open->segment.kind == SegmentKind::kReply &&
         module_.open->segment.from >= host_.last;
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
    const bool marked = EndsWithByteMark(host_.open->segment.bytes);
    const bool ended = host_.open->text &&
                       EndsText(host_.open->segment.bytes.back(), conventions_.command_mark) &&
                       !EndsByChance(host_.open->segment.bytes, host_.open->segment.bytes.size()) &&
                       !(idle <= kBriefly && EndedByChance(host_.open->segment.bytes, bytes));
    if (host_.may_pair && bytes[0] == pair_second_ && host_.open->text && idle <= silence_) {
      host_.open->Append(tape, item, 0, 1);
      if (!asked_.empty() && asked_.back().text.size() < kKeptText)
        asked_.back().text += pair_second_;
      at = 1;
    }
    if (at < bytes.size()) {
      if (marked)
        CloseLine(false, false);
      else if (ended)
        CloseLine(line, idle <= kBriefly && !IsText(bytes));
      else if (idle > silence_ && !(idle < kTypedPause && TypedByHand(*host_.open)))
        Close(host_, EndedBy::kSilence, idle);
      else if (WaitedInVain(idle)) {
        SettleEcho();
        Slot* waited = host_.open;
        Close(host_, EndedBy::kSilence, idle);
        if (idle > conventions_.usual_turnaround * 4) waited->segment.sure = Sureness::kLikely;
      } else if (WasGivenBack() && idle > kBriefly) {
        // More of it, or another one that the silence was too short for.
        host_.open->segment.sure = Sureness::kUnsure;
        if (echo_ != nullptr) echo_->segment.sure = Sureness::kUnsure;
      } else if (!asked_.empty() && (asked_.back().replied || AnsweredSince())) {
        SpeakOnAfterReply(item.at, bytes, idle);
      }
    }
  }
  while (at < bytes.size()) {
    if (host_.open == nullptr) BeginCommand(item, at == 0 ? idle : Duration::Zero());
    std::size_t end = bytes.size();
    bool line_ended = false;
    if (conventions_.command_mark_times > 1) {
      end = EndOfMarked(host_.open->segment.bytes, bytes, at);
      line_ended = end > 0;
      if (!line_ended) end = bytes.size();
    } else if (host_.open->text) {
      end = EndOfTextLine(bytes, at, conventions_.command_mark, pair_first_, pair_second_);
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
    if (line_ended && end < bytes.size())
      CloseLine(IsLineEnd(bytes[end - 1]),
                conventions_.command_mark_times == 1 && !IsText(bytes.substr(end)));
    at = end;
    LimitSize(host_);
  }
  host_.heard = true;
  host_.last = item.at;
  host_.may_pair = bytes.back() == pair_first_;
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
  queue_.erase(std::find(queue_.begin(), queue_.end(), slot));
  Place(slot);
  slot->scanned = slot->unit = slot->over_at = 0;
  pair_waits_ = false;
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
  SettleHeld();
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
  if (doubt_next_) host_.open->segment.sure = Sureness::kUnsure;
  doubt_next_ = false;
  // Bytes do not tell where it begins, and stamps do not tell whether it came before that answer.
  if (!conventions_.terminated_commands && conventions_.command_mark == 0 &&
      conventions_.framing == Framing::kNone && !conventions_.echo && module_.open != nullptr &&
      item.at - module_.last <= options_.stamp_uncertainty)
    host_.open->segment.sure = module_.open->segment.sure = Sureness::kUnsure;
  host_began_ = true;
  host_began_at_ = item.at;
  host_began_bytes_ = item.size;
}

}  // namespace witness
