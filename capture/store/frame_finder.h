// Finds the frame to begin at when only a later part of a capture is wanted.
#pragma once

#include <cstdint>
#include <optional>

#include "capture/base/instant.h"
#include "capture/store/byte_source.h"

namespace witness {

struct FramePlace {
  std::uint64_t offset = 0;
  std::uint64_t seq = 0;  // of its first block
  std::uint64_t first_event = 0;
  Instant base;
};

// The last frame whose events all or in part lie at or behind `from`, such that none at or behind
// `from` lies in a frame before. Takes it from the index; where that is missing or wrong, from a
// walk over the frames' own headers, without decompressing more than a few of them. Nothing: read
// from the start.
std::optional<FramePlace> FindFrameOf(ByteSource& source, Instant from);

}  // namespace witness
