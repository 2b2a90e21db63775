// The small messages of a capture file, to and from their bytes: Header, Trailer, Index.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/result.h"
#include "capture/store/capture_info.h"

namespace witness {

// Field numbers of Capture.
inline constexpr std::uint32_t kHeaderField = 1;
inline constexpr std::uint32_t kBlockField = 2;
inline constexpr std::uint32_t kTrailerField = 4;

// With the given format version, whatever `info` says.
Bytes EncodeHeader(const CaptureInfo& info, unsigned format_major, unsigned format_minor);
// kDamaged; kUnsupported for another major version (then `info` holds what could be read).
Status DecodeHeader(ByteView content, CaptureInfo& info);

struct TrailerFacts {
  std::uint64_t events = 0;
  std::uint64_t bytes = 0;
  std::uint64_t blocks = 0;
  Instant end;
  Bytes sha256;
};
Bytes EncodeTrailer(const TrailerFacts& facts);
Result<TrailerFacts> DecodeTrailer(ByteView content);

struct IndexEntry {
  std::uint64_t offset = 0;       // of the frame in the file
  std::uint64_t first_event = 0;  // index of the frame's first event
  std::int64_t base_ns = 0;       // base_ns of its first block
};
struct IndexFacts {
  std::vector<IndexEntry> frames;  // those that hold blocks
  std::uint64_t events = 0;        // in all
  std::uint64_t end_offset = 0;    // behind the last of these frames
  std::uint32_t frames_crc32c = 0;
};
// The whole skippable frame.
Bytes EncodeIndex(const IndexFacts& facts);
// `frame`: the whole skippable frame; `offset`: its place in the file.
Result<IndexFacts> DecodeIndex(ByteView frame, std::uint64_t offset);
// Size of the index's frame, from the last kIndexTailBytes bytes of a file; 0: none there.
inline constexpr std::size_t kIndexTailBytes = 16;
std::uint64_t IndexSizeFromTail(ByteView tail);

}  // namespace witness
