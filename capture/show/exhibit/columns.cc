#include "capture/show/exhibit/columns.h"

#include <zlib.h>

#include <algorithm>

#include "capture/show/event_words.h"

namespace witness {
namespace {

constexpr std::size_t kMostTexts = 4096;

void Varint(Bytes& out, std::uint64_t v) {
  for (; v >= 0x80; v >>= 7) out += static_cast<char>(v | 0x80);
  out += static_cast<char>(v);
}

void Signed(Bytes& out, std::int64_t v) {
  Varint(out, static_cast<std::uint64_t>(v) << 1 ^ static_cast<std::uint64_t>(v >> 63));
}

}  // namespace

void EventColumns::Add(const Event& event) {
  const bool has_bytes = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  const std::string words = has_bytes ? "" : EventWords(event);
  const ByteView payload = has_bytes ? event.bytes : ByteView(words);
  const std::size_t lane = has_bytes ? static_cast<std::size_t>(event.side) : 3;
  kinds_ +=
      static_cast<char>(static_cast<unsigned>(event.kind) | static_cast<unsigned>(event.side) << 4);
  Varint(times_, static_cast<std::uint64_t>(std::max<std::int64_t>(event.at.ns() - last_ns_, 0)));
  last_ns_ = std::max(last_ns_, event.at.ns());
  Varint(sizes_, payload.size());
  lanes_[lane] += payload;
  payload_ += payload.size();
}

Bytes EventColumns::Take() {
  Bytes out;
  Varint(out, kinds_.size());
  out += kinds_ + times_ + sizes_;
  for (const Bytes& lane : lanes_) out += lane;
  kinds_.clear();
  times_.clear();
  sizes_.clear();
  for (Bytes& lane : lanes_) lane.clear();
  payload_ = 0;
  return out;
}

void RowColumns::Note(const Event& event, std::uint64_t index) {
  const auto side = static_cast<std::size_t>(event.side);
  places_.push_back({index, ordinal_++, lane_bytes_[side]});
  if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte)
    lane_bytes_[side] += event.bytes.size();
}

const RowColumns::Place* RowColumns::PlaceOf(std::uint64_t index) const {
  const auto at =
      std::lower_bound(places_.begin(), places_.end(), index,
                       [](const Place& place, std::uint64_t i) { return place.index < i; });
  return at != places_.end() && at->index == index ? &*at : nullptr;
}

std::uint64_t RowColumns::TextNumber(const std::string& text) {
  if (text.empty()) return 0;
  const auto known = texts_.find(text);
  if (known != texts_.end()) return known->second;
  if (texts_.size() >= kMostTexts) return 0;
  Varint(new_texts_, text.size());
  new_texts_ += text;
  ++new_text_count_;
  return texts_.emplace(text, texts_.size() + 1).first->second;
}

void RowColumns::Add(const Segment& s) {
  std::uint64_t first = last_first_;
  std::uint64_t span = 0;
  bool own = false;
  if (s.kind != SegmentKind::kSilence) {
    // Rows come in the order of their beginnings: nothing older is asked for again.
    while (places_.size() > 1 && places_.front().index < s.first_event) places_.pop_front();
    const Place* begin = PlaceOf(s.first_event);
    const Place* end = PlaceOf(s.last_event);
    if (begin != nullptr && begin->ordinal >= last_first_) first = begin->ordinal;
    if (begin != nullptr && end != nullptr) span = end->ordinal - begin->ordinal;
    own = !s.bytes.empty() && (begin == nullptr || end == nullptr || first != begin->ordinal ||
                               end->lane_offset + s.last_offset !=
                                   begin->lane_offset + s.first_offset + s.bytes.size());
  }
  kinds_ += static_cast<char>(s.kind);
  flags_ += static_cast<char>(static_cast<unsigned>(s.side) | static_cast<unsigned>(s.ending) << 2 |
                              static_cast<unsigned>(s.sure) << 4 | (own ? 64u : 0u));
  ends_ += static_cast<char>(s.ended_by);
  Signed(from_, s.from.ns() - last_from_);
  last_from_ = s.from.ns();
  Varint(length_, static_cast<std::uint64_t>(std::max<std::int64_t>((s.to - s.from).ns(), 0)));
  Varint(first_, first - last_first_);
  last_first_ = first;
  Varint(span_, span);
  Varint(offset_, s.first_offset);
  Varint(size_, s.bytes.size());
  Signed(turn_, static_cast<std::int64_t>(s.turn) - last_turn_);
  last_turn_ = static_cast<std::int64_t>(s.turn);
  Varint(quiet_, static_cast<std::uint64_t>(std::max<std::int64_t>(s.quiet_after.ns(), 0)));
  Varint(protocol_, TextNumber(ProtocolOf(s)));
  Varint(why_, TextNumber(s.kind_why));
  Varint(bad_, s.bad_bytes);
  if (own) own_ += s.bytes;
}

Bytes RowColumns::Take() {
  Bytes out;
  Varint(out, new_text_count_);
  out += new_texts_;
  Varint(out, kinds_.size());
  for (Bytes* column : {&kinds_, &flags_, &ends_, &from_, &length_, &first_, &span_, &offset_,
                        &size_, &turn_, &quiet_, &protocol_, &why_, &bad_, &own_}) {
    out += *column;
    column->clear();
  }
  new_texts_.clear();
  new_text_count_ = 0;
  return out;
}

Bytes Deflated(ByteView bytes) {
  uLongf size = compressBound(static_cast<uLong>(bytes.size()));
  Bytes out(size, '\0');
  // Fails only without memory, or with a level that there is not.
  if (compress2(reinterpret_cast<Bytef*>(out.data()), &size,
                reinterpret_cast<const Bytef*>(bytes.data()), static_cast<uLong>(bytes.size()),
                6) != Z_OK)
    return Bytes();
  out.resize(size);
  return out;
}

}  // namespace witness
