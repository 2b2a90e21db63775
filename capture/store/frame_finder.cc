#include "capture/store/frame_finder.h"

#include <algorithm>
#include <vector>

#include "capture/store/block_decoder.h"
#include "capture/store/frame_scanner.h"
#include "capture/store/limits.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

// So many places are kept of a walk at most; in longer files every second, fourth, ... frame.
constexpr std::size_t kMaxPlaces = std::size_t{1} << 18;

// The place that the first block of the frame at `offset` tells, if it begins with one.
std::optional<FramePlace> PlaceAt(ByteSource& source, std::uint64_t offset) {
  const auto scanner = FrameScanner::Create(source);
  scanner->JumpTo(offset);
  const ScanItem item = scanner->Next();
  BlockDecoder block;
  if (item.kind != ScanItem::Kind::kField || item.field != kBlockField ||
      item.frame_offset != offset || !block.Open(item.content).ok() || !block.has_place()) {
    return std::nullopt;
  }
  return FramePlace{offset, block.seq(), block.first_event(), block.base()};
}

std::optional<IndexFacts> ReadIndex(ByteSource& source) {
  const auto size = source.Size();
  if (!size.ok() || *size < kIndexTailBytes) return std::nullopt;
  const auto tail = source.View(*size - kIndexTailBytes, kIndexTailBytes);
  if (!tail.ok()) return std::nullopt;
  const std::uint64_t index_size = IndexSizeFromTail(*tail);
  if (index_size == 0 || index_size > *size || index_size > kMaxIndexBytes) return std::nullopt;
  const std::uint64_t at = *size - index_size;
  const auto frame = source.View(at, static_cast<std::size_t>(index_size));
  if (!frame.ok()) return std::nullopt;
  auto index = DecodeIndex(*frame, at);
  if (!index.ok()) return std::nullopt;
  return std::move(*index);
}

// Size of the frame at `offset` by its headers alone (RFC 8878 section 3.1.1); 0: it is not whole.
std::uint64_t FrameSize(ByteSource& source, std::uint64_t offset) {
  const auto head = source.View(offset, 8);
  if (!head.ok() || head->size() < 8) return 0;
  const std::uint32_t magic = Little32(head->data());
  if ((magic & 0xFFFFFFF0) == kSkippableMagic) {
    return std::uint64_t{Little32(head->data() + 4)} + 8;
  }
  if (magic != kZstdMagic) return 0;
  const auto descriptor = static_cast<std::uint8_t>((*head)[4]);
  const bool single_segment = (descriptor & 0x20) != 0;
  const bool checksum = (descriptor & 4) != 0;
  static constexpr std::uint64_t kDictionaryBytes[] = {0, 1, 2, 4};
  static constexpr std::uint64_t kContentSizeBytes[] = {0, 2, 4, 8};
  std::uint64_t size = 5 + (single_segment ? 0 : 1) + kDictionaryBytes[descriptor & 3] +
                       kContentSizeBytes[descriptor >> 6];
  if (single_segment && descriptor >> 6 == 0) ++size;
  while (true) {
    const auto block = source.View(offset + size, 3);
    if (!block.ok() || block->size() < 3) return 0;
    const auto* b = reinterpret_cast<const std::uint8_t*>(block->data());
    const std::uint32_t header = b[0] | std::uint32_t{b[1]} << 8 | std::uint32_t{b[2]} << 16;
    const bool run = (header >> 1 & 3) == 1;  // one byte repeated
    size += 3 + (run ? 1 : header >> 3);
    if ((header & 1) != 0) return size + (checksum ? 4 : 0);
  }
}

std::vector<std::uint64_t> WalkFrames(ByteSource& source) {
  std::vector<std::uint64_t> places;
  std::size_t stride = 1;
  std::size_t count = 0;
  for (std::uint64_t offset = 0;;) {
    const std::uint64_t size = FrameSize(source, offset);
    if (size == 0) return places;
    if (count++ % stride == 0) places.push_back(offset);
    if (places.size() == kMaxPlaces) {
      for (std::size_t i = 0; 2 * i < places.size(); ++i) places[i] = places[2 * i];
      places.resize(places.size() / 2);
      stride *= 2;
    }
    offset += size;
  }
}

}  // namespace

bool FindInIndex(ByteSource& source, Instant from, std::optional<IndexEntry>& entry) {
  entry.reset();
  const auto index = ReadIndex(source);
  if (!index) return false;
  const auto behind =
      std::partition_point(index->frames.begin(), index->frames.end(),
                           [from](const IndexEntry& e) { return e.base_ns < from.ns(); });
  if (behind != index->frames.begin()) entry = *(behind - 1);
  return true;
}

std::optional<std::uint64_t> SeqAtPlace(ByteView block, const IndexEntry& entry) {
  std::optional<std::uint64_t> first_event;
  std::optional<std::int64_t> base_ns;
  std::uint64_t seq = 0;
  WireCursor cursor(block);
  WireField field;
  while ((!first_event || !base_ns) && NextField(cursor, field) &&
         field.type == WireType::kVarint) {
    if (field.number == 1) seq = field.value;
    if (field.number == 2) first_event = field.value;
    if (field.number == 3) base_ns = UnZigZag(field.value);
  }
  if (first_event != entry.first_event || base_ns != entry.base_ns) return std::nullopt;
  return seq;
}

std::optional<FramePlace> FindByWalk(ByteSource& source, Instant from) {
  const std::vector<std::uint64_t> walked = WalkFrames(source);
  std::optional<FramePlace> found;
  std::size_t low = 0;
  std::size_t high = walked.size();
  while (low < high) {
    const std::size_t middle = low + (high - low) / 2;
    // Frames that hold no block (header, trailer, index) or are damaged say nothing; the next does.
    std::size_t probe = middle;
    auto place = PlaceAt(source, walked[probe]);
    while (!place && ++probe < high) place = PlaceAt(source, walked[probe]);
    if (!place || place->base >= from) {
      high = middle;
    } else {
      found = place;
      low = probe + 1;
    }
  }
  return found;
}

}  // namespace witness
