// A segment in the making.
#pragma once

#include <cstddef>
#include <vector>

#include "capture/examine/segment.h"
#include "capture/examine/tape.h"

namespace witness {

struct Slot {
  Segment segment;
  std::vector<std::size_t> bad_at;  // offsets in segment.bytes
  bool closed = false;

  // For line work on the module's side: where the unit of lines under way began (its leading
  // blank lines included), how far bytes were looked at, and where a reply was known to be over.
  std::size_t unit = 0;
  std::size_t scanned = 0;
  std::size_t over_at = 0;     // 0: not over
  std::uint64_t late_for = 0;  // of what may be a late answer: the command; 0: it is none
  bool more = false;           // of an answer that began before, after a silence
  bool text = true;

  void Reset(SegmentKind kind, Side side);
  // Appends bytes [from, to) of a burst.
  void Append(const Tape& tape, const TapeItem& item, std::size_t from, std::size_t to);
  // Moves everything from `offset` on into `rest`, which was Reset. 0 < offset < size.
  void SplitInto(std::size_t offset, Slot& rest);

 private:
  // `bytes` stand at `offset` in the piece.
  void AppendPiece(Instant at, const TapePiece& piece, std::size_t offset, ByteView bytes);
};

void Swap(Slot& a, Slot& b) noexcept;

}  // namespace witness
