// Finds the frame to begin at when only a later part of a capture is wanted.
#pragma once

#include <cstdint>
#include <optional>

#include "capture/base/instant.h"
#include "capture/store/byte_source.h"
#include "capture/store/messages.h"

namespace witness {

struct FramePlace {
  std::uint64_t offset = 0;
  std::uint64_t seq = 0;  // of its first block
  std::uint64_t first_event = 0;
  Instant base;
};

// Both look for the last frame whose events all or in part lie at or behind `from`, such that none
// at or behind `from` lies in a frame before. No such frame: read from the start.

// By the index. It is to be believed only if the frame is what it says: SeqAtPlace(). False: the
// file has no index, or a wrong one.
bool FindInIndex(ByteSource& source, Instant from, std::optional<IndexEntry>& entry);

// Of a frame's first block its seq, if it stands where the entry says. Proves nothing about the
// rest of the block.
std::optional<std::uint64_t> SeqAtPlace(ByteView block, const IndexEntry& entry);

// By a walk over the frames' own headers, without decompressing more than a few of them.
std::optional<FramePlace> FindByWalk(ByteSource& source, Instant from);

}  // namespace witness
