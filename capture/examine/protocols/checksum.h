// Checksums by name: cyclic redundancy checks of the common catalogue, and plain sums.
#pragma once

#include <cstdint>
#include <string_view>
#include <vector>

#include "capture/base/bytes.h"

namespace witness {

// Parameters as catalogues give them (Williams, "A painless guide to CRC error detection
// algorithms", 1993): polynomial without its highest term, register before the first byte, bytes
// and result reflected or not, value that the result is combined with.
struct CrcModel {
  const char* name;
  int width;  // bits, 8 to 64
  std::uint64_t polynomial;
  std::uint64_t initial;
  bool reflect_in;
  bool reflect_out;
  std::uint64_t xor_out;
  std::uint64_t check;  // of the nine bytes "123456789"
};

struct Checksum {
  std::string_view name;
  int bytes = 1;  // how many it takes in a frame
  const CrcModel* crc = nullptr;
  std::uint64_t (*sum)(ByteView) = nullptr;  // of those that are no CRC

  std::uint64_t Of(ByteView data) const;
};

std::uint64_t ComputeCrc(const CrcModel& model, ByteView data);

const std::vector<CrcModel>& CrcCatalogue();
// The catalogue and the plain sums. Names: "CRC-16/MODBUS", "XOR-8", "LRC-8", ...
const std::vector<Checksum>& AllChecksums();
// nullptr: there is none of that name. Case does not count.
const Checksum* FindChecksum(std::string_view name);

// The last bytes of a frame as a number.
std::uint64_t NumberFrom(ByteView bytes, bool big_endian);

}  // namespace witness
