// Which checksum of the catalogue fits given frames.
#pragma once

#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/examine/protocols/checksum.h"

namespace witness {

struct ChecksumGuess {
  const Checksum* checksum = nullptr;
  bool big_endian = false;  // of a checksum of one byte: false
  std::size_t from = 0;     // first byte of a frame that it covers
  std::size_t behind = 0;   // bytes of a frame behind the checksum
  std::size_t frames = 0;   // it fits these many
};

// Tries every checksum in both byte orders, with up to 4 bytes at the start left out and up to 2
// bytes at the end behind it. Best first: those that fit most frames, then the widest. Only guesses
// that fit at least 9 of 10 frames, and more of them than chance would: the frames must differ.
std::vector<ChecksumGuess> GuessChecksum(const std::vector<Bytes>& frames);

}  // namespace witness
