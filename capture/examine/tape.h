// Events joined to bursts: what the segmenter works on.
//
// A burst is all bytes of one side with one stamp, whatever events delivered them.
#pragma once

#include <cstdint>
#include <vector>

#include "capture/store/event.h"

namespace witness {

// Bytes of one event within a burst.
struct TapePiece {
  std::uint64_t event = 0;
  std::uint32_t offset = 0;  // of the first byte within the event
  std::uint32_t size = 0;
  bool bad = false;
};

struct TapeItem {
  Instant at;
  EventKind kind = EventKind::kBytes;  // kBytes stands for bad bytes too
  Side side = Side::kUnknown;
  std::size_t first_byte = 0;  // in Tape::bytes
  std::size_t size = 0;
  std::size_t first_piece = 0;  // in Tape::pieces
  std::size_t piece_count = 0;
  std::uint64_t event = 0;  // index of the first event
};

struct Tape {
  Bytes bytes;
  const char* elsewhere = nullptr;  // where the bytes are, if not in `bytes`
  std::vector<TapePiece> pieces;
  std::vector<TapeItem> items;

  ByteView BytesOf(const TapeItem& item) const {
    return {(elsewhere != nullptr ? elsewhere : bytes.data()) + item.first_byte, item.size};
  }
  const TapePiece* PiecesOf(const TapeItem& item) const { return pieces.data() + item.first_piece; }
  // Takes over an item of another tape as the last.
  void Copy(const Tape& tape, const TapeItem& item);
  void Clear() {
    bytes.clear();
    pieces.clear();
    items.clear();
  }
  // Forgets the first `count` items and what belongs to them.
  void DropFront(std::size_t count);
  // Becomes that event alone, which has bytes. They are not copied: it must outlive the use.
  const TapeItem& Hold(const Event& event, std::uint64_t index);
  // Whether `event` is more of the last item's burst.
  bool Joins(const Event& event) const;
  // Then it is joined to that; any other begins an item.
  void Join(const Event& event, std::uint64_t index);
  void Begin(const Event& event, std::uint64_t index);
};

// How long the line was idle before `size` bytes stamped `at`, if the byte before was stamped
// `before`: the stamps' distance less what the bytes themselves took. Never negative.
inline Duration IdleBefore(Instant before, Instant at, std::size_t size, Duration character_time) {
  const Duration apart = at - before;
  const Duration sending = character_time * static_cast<std::int64_t>(size);
  return apart > sending ? apart - sending : Duration::Zero();
}

}  // namespace witness
