// An echo that comes between the bytes of the answer before: what the module says is held back
// until it shows whether there is one.
#include <algorithm>
#include <utility>

#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/mixed_echo.h"

namespace witness {
namespace {

constexpr std::size_t kMostHeld = 8192;
// What reads a port may itself be late (common practice, no source).
constexpr Duration kReaderLate = Duration::Milliseconds(2);
// Character times after which a 16550 gives up what its buffer holds (its data sheet: the FIFO's
// character time-out).
constexpr std::int64_t kFifoWaits = 4;

}  // namespace

bool SegmentMachine::EchoMayBeMixed() const {
  if (!conventions_.echo || !conventions_.terminated_commands || !host_began_ || asked_.empty())
    return false;
  const Asked& asked = asked_.back();
  if (asked.echo != Asked::Echo::kTrying || asked.echoed > 0 || asked.replied) return false;
  const Slot* slot = module_.open;
  if (slot != nullptr && slot->segment.kind == SegmentKind::kReply &&
      slot->segment.turn != asked.turn && slot->over_at == 0)
    return true;
  return asked_.size() >= 2 && !asked_[asked_.size() - 2].over;
}

bool SegmentMachine::HoldsBack(const Tape& tape, const TapeItem& item) {
  if (held_.items.empty() && !EchoMayBeMixed()) return false;
  held_.Copy(tape, item);
  if (held_.bytes.size() > kMostHeld || (asked_.back().complete && CameBackWhole(held_.bytes)))
    SettleHeld();
  return true;
}

std::size_t SegmentMachine::EchoesBefore(ByteView said) const {
  std::size_t at = 0;
  for (const Asked& before : asked_) {
    if (before.turn == asked_.back().turn || before.echo != Asked::Echo::kTrying) continue;
    const ByteView rest = ByteView(before.text).substr(before.echoed);
    if (said.substr(at).starts_with(rest)) at += rest.size();
  }
  return at;
}

bool SegmentMachine::CameBackWhole(ByteView said) const {
  const ByteView command = Stripped(asked_.back().text);
  for (std::size_t at = EchoesBefore(said); !command.empty(); ++at) {
    at = said.find(command, at);
    if (at == ByteView::npos) return false;
    const std::size_t end = at + command.size();
    if (end == said.size() || IsLineEnd(said[end])) return true;
  }
  return true;
}

void SegmentMachine::SettleHeld() {
  if (held_.items.empty()) return;
  Tape held;
  std::swap(held, held_);
  const bool mixed = asked_.back().complete && !CameBackWhole(held.bytes);
  if (mixed && SayIfMixed(held)) return;
  for (const TapeItem& item : held.items) {
    SayModule(held, item, 0, item.size);
    // Whether the command was given back somewhere in it nobody can tell.
    if (mixed && module_.open != nullptr) module_.open->segment.sure = Sureness::kUnsure;
  }
}

bool SegmentMachine::SayIfMixed(const Tape& held) {
  StampedBytes said;
  const auto add = [&](ByteView bytes, Instant stamp) {
    for (std::size_t behind = bytes.size(); behind-- > 0;)
      said.at.push_back(stamp - options_.character_time * static_cast<std::int64_t>(behind));
    said.bytes += bytes;
  };
  for (const TapeItem& item : held.items) add(held.BytesOf(item), item.at);
  const StampedBytes command = CommandUnderWay();
  const std::size_t from = EchoesBefore(held.bytes);
  if (const auto echo = FindEcho(said, from, command)) {
    SayMixed(held, *echo);
    return true;
  }
  // It may have begun in what was said last before: stamps of two ports.
  const Slot* slot = module_.open;
  if (slot == nullptr || slot->segment.kind != SegmentKind::kReply || from > 0 ||
      slot->segment.turn == asked_.back().turn || !mixed_in_.empty() || slot->over_at > 0)
    return false;
  StampedBytes held_said;
  std::swap(held_said, said);
  std::size_t at = 0;
  for (const SegmentPiece& piece : slot->segment.pieces) {
    add(ByteView(slot->segment.bytes).substr(at, piece.size), piece.at);
    at += piece.size;
  }
  const std::size_t least = std::max<std::size_t>(slot->unit, 1);
  std::size_t tail = said.bytes.size();
  while (tail > least && said.at[tail - 1] + Late() >= command.at[0]) --tail;
  if (tail == said.bytes.size()) return false;
  said.bytes.erase(0, tail);
  said.at.erase(said.at.begin(), said.at.begin() + static_cast<std::ptrdiff_t>(tail));
  said.bytes += held_said.bytes;
  said.at.insert(said.at.end(), held_said.at.begin(), held_said.at.end());
  const auto echo = FindEcho(said, 0, command);
  if (!echo) return false;
  Tape all = TakeBackFrom(tail);
  for (const TapeItem& item : held.items) all.Copy(held, item);
  SayMixed(all, *echo);
  return true;
}

Duration SegmentMachine::Late() const {
  return options_.stamp_uncertainty + kReaderLate + options_.character_time * kFifoWaits;
}

std::optional<MixedEcho> SegmentMachine::FindEcho(const StampedBytes& said, std::size_t from,
                                                  const StampedBytes& command) const {
  auto out = FindMixedEcho(said, from, command, Late());
  if (out || !IsLineEnd(command.bytes.back())) return out;
  // Some modules do not give the ending back.
  StampedBytes bare = command;
  bare.bytes.resize(Stripped(bare.bytes).size());
  bare.at.resize(bare.bytes.size());
  return FindMixedEcho(said, from, bare, Late());
}

Tape SegmentMachine::TakeBackFrom(std::size_t offset) {
  Slot& slot = *module_.open;
  Slot* rest = NewSlot(slot.segment.kind, Side::kModule);
  Split(slot, offset, *rest);
  slot.scanned = std::min(slot.scanned, offset);
  pair_waits_ = slot.segment.bytes.back() == pair_first_;
  module_.last = slot.segment.to;
  Tape out;
  std::size_t at = 0;
  for (const SegmentPiece& piece : rest->segment.pieces) {
    Event event;
    event.at = piece.at;
    event.side = Side::kModule;
    event.bytes = ByteView(rest->segment.bytes).substr(at, piece.size);
    if (std::binary_search(rest->bad_at.begin(), rest->bad_at.end(), at))
      event.kind = EventKind::kBadByte;
    if (out.Joins(event))
      out.Join(event, piece.event);
    else
      out.Begin(event, piece.event);
    if (at == 0) out.pieces.back().offset = static_cast<std::uint32_t>(rest->segment.first_offset);
    at += piece.size;
  }
  free_.push_back(rest);
  return out;
}

StampedBytes SegmentMachine::CommandUnderWay() const {
  StampedBytes out;
  out.bytes = asked_.back().text;
  for (const Slot* slot : queue_) {
    if (slot->segment.kind != SegmentKind::kCommand || slot->segment.turn != asked_.back().turn)
      continue;
    // A stamp is that of the last byte of a burst.
    for (const SegmentPiece& piece : slot->segment.pieces)
      for (std::size_t behind = piece.size; behind-- > 0;)
        out.at.push_back(piece.at - options_.character_time * static_cast<std::int64_t>(behind));
  }
  out.at.resize(out.bytes.size(), asked_.back().last);
  return out;
}

void SegmentMachine::SayMixed(const Tape& held, const MixedEcho& echo) {
  // 0: said by the module; 1: given back; 2: given back, if it is not the next byte or the last.
  std::vector<std::uint8_t> given_back(held.bytes.size(), 0);
  for (std::size_t k = 0; k < echo.at.size(); ++k) given_back[echo.at[k]] = echo.sure[k] ? 1 : 2;
  // CR given back as CR LF, unless the answer's own CR waits for its LF.
  const std::size_t last = echo.at.back();
  if (held.bytes[last] == '\r' && last + 1 < held.bytes.size() && held.bytes[last + 1] == '\n') {
    std::size_t own = last;
    while (own > 0 && given_back[own] != 0) --own;
    if (held.bytes[own] != '\r') given_back[last + 1] = given_back[last];
  }
  const std::uint64_t turn = asked_.back().turn;
  asked_.back().echo = Asked::Echo::kDone;
  asked_.back().echoed = asked_.back().text.size();
  host_began_ = false;
  Slot* piece = nullptr;  // of the echo, until something else comes
  std::size_t start = 0;
  for (const TapeItem& item : held.items) {
    for (std::size_t from = 0; from < item.size;) {
      const std::uint8_t what = given_back[start + from];
      std::size_t to = from + 1;
      while (to < item.size && given_back[start + to] == what) ++to;
      if (what == 0) {
        piece = nullptr;
        SayModule(held, item, from, to);
      } else {
        if (piece == nullptr) {
          piece = NewSlot(SegmentKind::kEcho, Side::kModule);
          piece->segment.turn = turn;
          piece->segment.sure = Sureness::kLikely;
          piece->segment.kind_why = "the command's own bytes come back amid an answer";
          piece->Append(held, item, from, to);
          piece->segment.ended_by = EndedBy::kOtherSide;
          if (module_.open != nullptr && !module_.open->segment.bytes.empty())
            mixed_in_.push_back({module_.open, module_.open->segment.bytes.size(), piece});
          else
            Place(piece);
          EndingOf(piece->segment.bytes, piece->segment.ending);
          piece->closed = true;
        } else {
          piece->Append(held, item, from, to);
          EndingOf(piece->segment.bytes, piece->segment.ending);
        }
        if (what == 2) piece->segment.sure = Sureness::kUnsure;
      }
      from = to;
    }
    start += item.size;
  }
}

void SegmentMachine::PlaceInEvents(Segment& slot, Segment& rest, const MixedIn& echo,
                                   std::size_t cut) {
  const Segment& given_back = echo.piece->segment;
  const std::size_t since = cut - echo.offset;
  if (rest.first_event == given_back.last_event) rest.first_offset = given_back.last_offset + since;
  if (since > 0) {
    if (slot.last_event == given_back.last_event) slot.last_offset = given_back.last_offset + since;
  } else if (slot.last_event == given_back.first_event) {
    slot.last_offset = given_back.first_offset;
  }
}

bool SegmentMachine::TakeApart(Slot& slot, EndedBy why, Duration quiet) {
  const auto is_other = [&](const MixedIn& echo) { return echo.slot != &slot; };
  const auto own = std::stable_partition(mixed_in_.begin(), mixed_in_.end(), is_other);
  const std::vector<MixedIn> echoes(own, mixed_in_.end());
  mixed_in_.erase(own, mixed_in_.end());
  if (echoes.empty()) return false;
  Slot* piece = &slot;
  std::size_t before = 0;
  bool doubt = false;
  for (const MixedIn& echo : echoes) {
    const std::size_t cut = echo.offset - before;
    Slot* rest = nullptr;
    if (cut < piece->segment.bytes.size()) {
      rest = NewSlot(piece->segment.kind, Side::kModule);
      rest->segment.kind_why = "it goes on behind an echo";
      rest->segment.sure = piece->segment.sure;
      piece->SplitInto(cut, *rest);
      PlaceInEvents(piece->segment, rest->segment, {piece, cut, echo.piece}, cut);
      before = echo.offset;
    }
    const bool unsure = echo.piece->segment.sure == Sureness::kUnsure;
    if (doubt || unsure) piece->segment.sure = Sureness::kUnsure;
    CloseSlot(*piece, rest == nullptr ? why : EndedBy::kOtherSide, quiet);
    Place(echo.piece);
    doubt = unsure;
    if (rest == nullptr) return true;
    Place(rest);
    piece = rest;
  }
  if (doubt) piece->segment.sure = Sureness::kUnsure;
  CloseSlot(*piece, why, quiet);
  return true;
}

}  // namespace witness
