#include "capture/examine/block_study.h"

#include <algorithm>
#include <map>
#include <set>
#include <utility>
#include <vector>

#include "capture/examine/lines_of.h"

namespace witness {
namespace {

constexpr std::size_t kFewestBlocks = 12;
constexpr std::size_t kLongestBlock = 300;  // a length of one byte, and what stands around
constexpr std::size_t kLengthWithin = 4;    // first bytes that may be the length
constexpr std::size_t kMostAround = 8;      // bytes that a length does not count

struct Block {
  Bytes head;
  std::size_t size = 0;
};

std::vector<Block> BlocksOf(const Tape& tape, const SegmenterOptions& options, Duration silence,
                            Side side) {
  std::vector<Block> out;
  bool open = false;
  Instant last;
  Bytes to_come;  // of what the host said, if it comes back
  for (const TapeItem& item : tape.items) {
    if (item.size == 0) continue;
    const ByteView bytes = tape.BytesOf(item);
    if (item.kind != EventKind::kBytes || item.side != side) {
      const bool comes_back = item.side == Side::kModule && to_come.starts_with(bytes);
      to_come.erase(0, comes_back ? bytes.size() : to_come.size());
      open = open && comes_back;
      continue;
    }
    if (open) open = IdleBefore(last, item.at, item.size, options.character_time) <= silence;
    if (!open) out.emplace_back();
    if (side == Side::kHost) to_come += bytes;
    Block& block = out.back();
    block.head += bytes.substr(0, kLengthWithin - std::min(kLengthWithin, block.head.size()));
    block.size += bytes.size();
    open = true;
    last = item.at;
  }
  return out;
}

// Each kind, told by the first byte, has its size.
std::size_t WithTheirSizes(const std::vector<Block>& blocks) {
  std::map<char, std::map<std::size_t, std::size_t>> sizes;
  for (const Block& block : blocks) ++sizes[block.head[0]][block.size];
  std::size_t usual = 0;
  for (const auto& [first, counts] : sizes) {
    std::size_t most = 0;
    for (const auto& [size, n] : counts)
      if (size > 2) most = std::max(most, n);
    if (most >= 3) usual += most;
  }
  return usual;
}

std::size_t WithALength(const std::vector<Block>& blocks) {
  std::set<std::size_t> sizes;
  for (const Block& block : blocks) sizes.insert(block.size);
  if (sizes.size() < 4) return 0;
  std::size_t out = 0;
  for (std::size_t at = 0; at < kLengthWithin; ++at) {
    std::map<std::size_t, std::size_t> around;
    for (const Block& block : blocks) {
      if (block.head.size() <= at) continue;
      const std::size_t length = static_cast<unsigned char>(block.head[at]);
      if (block.size >= length && block.size - length <= kMostAround) ++around[block.size - length];
    }
    for (const auto& [n, times] : around) out = std::max(out, times);
  }
  return out;
}

}  // namespace

double ShareOfWholeBlocks(const Tape& tape, const SegmenterOptions& options, Duration silence,
                          Side side) {
  const std::vector<Block> blocks = BlocksOf(tape, options, silence, side);
  const bool too_long = std::any_of(blocks.begin(), blocks.end(),
                                    [](const Block& b) { return b.size > kLongestBlock; });
  if (blocks.size() < kFewestBlocks || too_long) return 0;
  return static_cast<double>(std::max(WithTheirSizes(blocks), WithALength(blocks))) /
         static_cast<double>(blocks.size());
}

}  // namespace witness
