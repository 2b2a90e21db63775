#include "capture/examine/slot.h"

#include <algorithm>

#include "capture/examine/lines_of.h"

namespace witness {

void Slot::Reset(SegmentKind kind, Side side) {
  Segment& s = segment;
  s.kind = kind;
  s.side = side;
  s.from = s.to = Instant();
  s.first_event = s.last_event = 0;
  s.first_offset = s.last_offset = 0;
  s.bytes.clear();
  s.ending = LineEnding::kNone;
  s.ended_by = EndedBy::kUnspecified;
  s.quiet_after = Duration::Zero();
  s.kind_why = "";
  s.sure = Sureness::kSure;
  s.turn = 0;
  s.bad_bytes = 0;
  s.pieces.clear();
  s.recognition = Recognition();
  bad_at.clear();
  closed = false;
  unit = scanned = over_at = 0;
  late_for = 0;
  more = false;
  text = true;
}

void Swap(Slot& a, Slot& b) noexcept {
  Swap(a.segment, b.segment);
  a.bad_at.swap(b.bad_at);
  std::swap(a.closed, b.closed);
  std::swap(a.unit, b.unit);
  std::swap(a.scanned, b.scanned);
  std::swap(a.over_at, b.over_at);
  std::swap(a.late_for, b.late_for);
  std::swap(a.more, b.more);
  std::swap(a.text, b.text);
}

void Slot::Append(const Tape& tape, const TapeItem& item, std::size_t from, std::size_t to) {
  if (from >= to) return;
  const TapePiece* pieces = tape.PiecesOf(item);
  const ByteView bytes = tape.BytesOf(item);
  if (item.piece_count == 1 && !pieces[0].bad) {  // nearly always
    AppendPiece(item.at, pieces[0], from, bytes.substr(from, to - from));
    return;
  }
  std::size_t start = 0;
  for (std::size_t i = 0; i < item.piece_count; ++i) {
    const TapePiece& piece = pieces[i];
    const std::size_t a = std::max(from, start);
    const std::size_t b = std::min(to, start + piece.size);
    if (a < b) {
      if (piece.bad) {
        for (std::size_t k = a; k < b; ++k) bad_at.push_back(segment.bytes.size() + (k - a));
        segment.bad_bytes += static_cast<std::uint32_t>(b - a);
      }
      AppendPiece(item.at, piece, a - start, bytes.substr(a, b - a));
    }
    start += piece.size;
    if (start >= to) break;
  }
}

void Slot::AppendPiece(Instant at, const TapePiece& piece, std::size_t offset, ByteView bytes) {
  Segment& s = segment;
  const std::size_t in_event = piece.offset + offset;
  if (s.bytes.empty()) {
    s.from = at;
    s.first_event = piece.event;
    s.first_offset = in_event;
  }
  s.to = at;
  s.last_event = piece.event;
  s.last_offset = in_event + bytes.size();
  if (text) text = IsText(bytes);
  s.bytes += bytes;
  if (!s.pieces.empty() && s.pieces.back().event == piece.event)
    s.pieces.back().size += bytes.size();
  else
    s.pieces.push_back({at, piece.event, bytes.size()});
}

void Slot::SplitInto(std::size_t offset, Slot& rest) {
  Segment& a = segment;
  Segment& b = rest.segment;
  b.bytes.assign(a.bytes, offset);
  a.bytes.resize(offset);
  b.to = a.to;
  b.last_event = a.last_event;
  b.last_offset = a.last_offset;
  b.turn = a.turn;
  std::size_t done = 0;
  for (std::size_t i = 0; i < a.pieces.size(); ++i) {
    SegmentPiece& piece = a.pieces[i];
    if (done + piece.size < offset) {
      done += piece.size;
      continue;
    }
    const std::size_t keep = offset - done;
    const std::size_t start = i == 0 ? a.first_offset : 0;
    a.to = piece.at;
    a.last_event = piece.event;
    a.last_offset = start + keep;
    std::size_t next = i + 1;
    if (keep < piece.size) {
      b.pieces.push_back({piece.at, piece.event, piece.size - keep});
      b.first_offset = start + keep;
      piece.size = keep;
    }
    b.pieces.insert(b.pieces.end(), a.pieces.begin() + static_cast<std::ptrdiff_t>(next),
                    a.pieces.end());
    a.pieces.resize(next);
    break;
  }
  b.from = b.pieces.front().at;
  b.first_event = b.pieces.front().event;
  const auto first_bad = std::lower_bound(bad_at.begin(), bad_at.end(), offset);
  for (auto bad = first_bad; bad != bad_at.end(); ++bad) rest.bad_at.push_back(*bad - offset);
  bad_at.erase(first_bad, bad_at.end());
  a.bad_bytes = static_cast<std::uint32_t>(bad_at.size());
  b.bad_bytes = static_cast<std::uint32_t>(rest.bad_at.size());
  rest.text = text || IsText(b.bytes);
  text = text || IsText(a.bytes);
}

}  // namespace witness
