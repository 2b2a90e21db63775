#include "capture/examine/tape.h"

namespace witness {

namespace {

constexpr std::size_t kLargestBurst = 1u << 20;  // then another begins, to bound memory

}  // namespace

void Tape::DropFront(std::size_t count) {
  if (count == 0) return;
  if (count >= items.size()) {
    Clear();
    return;
  }
  const std::size_t first_byte = items[count].first_byte, first_piece = items[count].first_piece;
  bytes.erase(0, first_byte);
  pieces.erase(pieces.begin(), pieces.begin() + static_cast<std::ptrdiff_t>(first_piece));
  items.erase(items.begin(), items.begin() + static_cast<std::ptrdiff_t>(count));
  for (TapeItem& item : items) {
    item.first_byte -= first_byte;
    item.first_piece -= first_piece;
  }
}

void Tape::Copy(const Tape& tape, const TapeItem& item) {
  items.push_back(item);
  items.back().first_byte = bytes.size();
  items.back().first_piece = pieces.size();
  bytes += tape.BytesOf(item);
  pieces.insert(pieces.end(), tape.PiecesOf(item), tape.PiecesOf(item) + item.piece_count);
}

bool Tape::Joins(const Event& event) const {
  return !items.empty() && items.back().kind == EventKind::kBytes &&
         (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) &&
         items.back().at == event.at && items.back().side == event.side &&
         items.back().size < kLargestBurst;
}

bool Tape::Append(const Event& event, std::uint64_t index) {
  const bool has_bytes = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  if (!has_bytes) {
    TapeItem item;
    item.at = event.at;
    item.kind = event.kind;
    item.side = event.side;
    item.first_byte = bytes.size();
    item.first_piece = pieces.size();
    item.event = index;
    items.push_back(item);
    return false;
  }
  const bool joins = Joins(event);
  if (!joins) {
    TapeItem item;
    item.at = event.at;
    item.side = event.side;
    item.first_byte = bytes.size();
    item.first_piece = pieces.size();
    item.event = index;
    items.push_back(item);
  }
  TapeItem& item = items.back();
  TapePiece piece;
  piece.event = index;
  piece.size = static_cast<std::uint32_t>(event.bytes.size());
  piece.bad = event.kind == EventKind::kBadByte;
  pieces.push_back(piece);
  ++item.piece_count;
  bytes += event.bytes;
  item.size += event.bytes.size();
  return joins;
}

}  // namespace witness
