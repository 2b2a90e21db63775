// CRC-32C (Castagnoli): polynomial 1EDC6F41, reflected, start and final XOR FFFFFFFF.
#pragma once

#include <cstdint>

#include "capture/base/bytes.h"

namespace witness {

// The CRC of `bytes` behind bytes whose CRC is `before`.
std::uint32_t Crc32c(ByteView bytes, std::uint32_t before = 0);

// The same without the processor's own instruction; for machines that lack it, and for tests.
std::uint32_t Crc32cByTable(ByteView bytes, std::uint32_t before = 0);

}  // namespace witness
