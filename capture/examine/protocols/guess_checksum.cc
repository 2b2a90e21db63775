#include "capture/examine/protocols/guess_checksum.h"

#include <algorithm>
#include <set>

namespace witness {
namespace {

constexpr std::size_t kMostSkipped = 4;
constexpr std::size_t kMostBehind = 2;
constexpr std::size_t kMostFrames = 256;

bool Fits(const Checksum& checksum, ByteView frame, std::size_t from, std::size_t behind,
          bool big_endian) {
  const std::size_t tail = static_cast<std::size_t>(checksum.bytes) + behind;
  if (frame.size() <= from + tail) return false;
  const std::size_t at = frame.size() - tail;
  return checksum.Of(frame.substr(from, at - from)) ==
         NumberFrom(frame.substr(at, static_cast<std::size_t>(checksum.bytes)), big_endian);
}

}  // namespace

std::vector<ChecksumGuess> GuessChecksum(const std::vector<Bytes>& frames) {
  const std::set<Bytes> different(frames.begin(), frames.end());
  std::vector<ByteView> tried;
  for (const Bytes& frame : different) {
    if (tried.size() == kMostFrames) break;
    tried.push_back(frame);
  }
  std::vector<ChecksumGuess> out;
  if (tried.empty()) return out;
  const std::size_t least = tried.size() - tried.size() / 10;
  for (const Checksum& checksum : AllChecksums()) {
    // A chance fit of one byte in 256: that many frames are needed before it means something.
    const std::size_t needed = checksum.bytes == 1 ? 3 : checksum.bytes == 2 ? 2 : 1;
    if (tried.size() < needed) continue;
    for (std::size_t from = 0; from <= kMostSkipped; ++from) {
      for (std::size_t behind = 0; behind <= kMostBehind; ++behind) {
        for (const bool big_endian : {false, true}) {
          if (big_endian && checksum.bytes == 1) continue;
          std::size_t fits = 0, misses = 0;
          for (const ByteView frame : tried) {
            if (Fits(checksum, frame, from, behind, big_endian))
              ++fits;
            else if (++misses > tried.size() - least)
              break;
          }
          if (misses > tried.size() - least) continue;
          out.push_back({&checksum, big_endian, from, behind, fits});
        }
      }
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const ChecksumGuess& a, const ChecksumGuess& b) {
    if (a.frames != b.frames) return a.frames > b.frames;
    if (a.checksum->bytes != b.checksum->bytes) return a.checksum->bytes > b.checksum->bytes;
    return a.from + a.behind < b.from + b.behind;
  });
  return out;
}

}  // namespace witness
