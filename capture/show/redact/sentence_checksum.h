// Keeps the checksum of NMEA 0183 sentences right while bytes in them are replaced: the old one
// would tell of what was there, and would make a fault of the redaction.
#pragma once

#include <cstdint>

#include "capture/base/bytes.h"

namespace witness::redact {

// One side's bytes, as they were and as they are to be. Sentences may go on over any reads.
class SentenceChecksum {
 public:
  // `now` is as long as `was`; checksums in it that were right and no longer are, are made right.
  // Whether any was.
  bool Fit(ByteView was, Bytes& now);

 private:
  enum class At : std::uint8_t { kOutside, kInside, kFirstDigit, kSecondDigit } at_ = At::kOutside;
  std::uint8_t was_ = 0;  // XOR of the characters between $ and *
  std::uint8_t now_ = 0;
  std::size_t size_ = 0;
};

}  // namespace witness::redact
