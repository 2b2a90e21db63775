#include "capture/store/frame_finder.h"

#include <zstd.h>

#include <algorithm>
#include <array>
#include <memory>
#include <vector>

#include "capture/store/block_decoder.h"
#include "capture/store/frame_scanner.h"
#include "capture/store/limits.h"
#include "capture/store/messages.h"
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

// The same by the frame's first bytes alone, which takes a small part of the time and proves
// nothing.
std::optional<FramePlace> PeekPlace(ByteSource& source, std::uint64_t offset) {
  // Enough for a frame's header and its first block (RFC 8878 section 3.1.1.2.4).
  const auto view = source.View(offset, (std::size_t{128} << 10) + 32);
  if (!view.ok()) return std::nullopt;
  const std::unique_ptr<ZSTD_DCtx, decltype(&ZSTD_freeDCtx)> zstd(ZSTD_createDCtx(),
                                                                  &ZSTD_freeDCtx);
  ZSTD_DCtx_setParameter(zstd.get(), ZSTD_d_windowLogMax, static_cast<int>(kMaxWindowLog));
  std::array<char, 64> front;
  ZSTD_inBuffer in{view->data(), view->size(), 0};
  ZSTD_outBuffer out{front.data(), front.size(), 0};
  while (out.pos < out.size) {
    const std::size_t before = in.pos + out.pos;
    const std::size_t left = ZSTD_decompressStream(zstd.get(), &out, &in);
    if (ZSTD_isError(left) != 0) return std::nullopt;
    if (left == 0 || in.pos + out.pos == before) break;
  }
  WireCursor cursor(ByteView(front.data(), out.pos));
  std::uint64_t value = 0;
  if (!cursor.Varint(value) || value != WireTag(kBlockField, WireType::kBytes)) return std::nullopt;
  if (!cursor.Varint(value)) return std::nullopt;
  FramePlace place{offset, 0, 0, Instant()};
  unsigned found = 0;
  WireField field;
  while (found != 3 && NextField(cursor, field) && field.type == WireType::kVarint) {
    if (field.number == 1) place.seq = field.value;
    if (field.number == 2) place.first_event = field.value, found |= 1;
    if (field.number == 3) place.base = Instant::FromNanoseconds(UnZigZag(field.value)), found |= 2;
  }
  if (found != 3) return std::nullopt;
  return place;
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

std::optional<FramePlace> FindFrameOf(ByteSource& source, Instant from) {
  if (const auto index = ReadIndex(source)) {
    auto entry =
        std::partition_point(index->frames.begin(), index->frames.end(),
                             [from](const IndexEntry& e) { return e.base_ns < from.ns(); });
    if (entry == index->frames.begin()) return std::nullopt;
    --entry;
    // The index is believed only if the frame is what it says. Its blocks prove themselves when
    // they are read.
    const auto place = PeekPlace(source, entry->offset);
    if (place && place->first_event == entry->first_event && place->base.ns() == entry->base_ns) {
      return place;
    }
  }
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
