// Checking a capture file: every checksum, sequence, total and the SHA-256.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "capture/store/capture_info.h"

namespace witness {

struct DamagedPlace {
  std::uint64_t offset = 0;  // in the file
  std::string what;
  Instant after;  // time of the last event in front of it
};

struct Verification {
  CaptureInfo info;
  CaptureEnding ending;
  std::uint64_t gaps = 0;            // that damage has made
  std::uint64_t events_lost = 0;     // as far as that can be told
  std::vector<DamagedPlace> damage;  // the first kMaxPlaces
  std::uint64_t more_damage = 0;     // places beyond those
  bool has_index = false;

  static constexpr std::size_t kMaxPlaces = 100;
  // Closed in good order and nothing wrong anywhere.
  bool sound() const { return ending.closed_cleanly && damage.empty(); }
};

// Errors as CaptureReader::Open and kIo. A damaged file is no error but a Verification.
Result<Verification> VerifyFile(const std::string& path);
Result<Verification> VerifyMemory(ByteView bytes);

}  // namespace witness
