#include "capture/examine/tape.h"

namespace witness {

namespace {

constexpr std::size_t kLargestBurst = 1u << 20;  // then another begins, to bound memory

bool HasBytes(const Event& event) {
  return event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
}

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

const TapeItem& Tape::Hold(const Event& event, std::uint64_t index) {
  items.resize(1);
  pieces.resize(1);
  elsewhere = event.bytes.data();
  TapePiece& piece = pieces.front();
  piece.event = index;
  piece.size = static_cast<std::uint32_t>(event.bytes.size());
  TapeItem& item = items.front();
  item.at = event.at;
  item.side = event.side;
  item.size = event.bytes.size();
  item.piece_count = 1;
  item.event = index;
  return item;
}

bool Tape::Joins(const Event& event) const {
  if (items.empty() || items.back().at != event.at) return false;
  const TapeItem& last = items.back();
  return last.kind == EventKind::kBytes && HasBytes(event) && last.side == event.side &&
         last.size < kLargestBurst;
}

void Tape::Join(const Event& event, std::uint64_t index) {
  TapePiece& piece = pieces.emplace_back();
  piece.event = index;
  piece.size = static_cast<std::uint32_t>(event.bytes.size());
  piece.bad = event.kind == EventKind::kBadByte;
  bytes += event.bytes;
  TapeItem& item = items.back();
  ++item.piece_count;
  item.size += event.bytes.size();
}

void Tape::Begin(const Event& event, std::uint64_t index) {
  TapeItem& item = items.emplace_back();
  item.at = event.at;
  item.kind = HasBytes(event) ? EventKind::kBytes : event.kind;
  item.side = event.side;
  item.first_byte = bytes.size();
  item.first_piece = pieces.size();
  item.event = index;
  if (HasBytes(event)) Join(event, index);
}

}  // namespace witness
