#include "capture/store/crc32c.h"

#include <array>
#include <cstring>

#if defined(__x86_64__)
#include <nmmintrin.h>
#endif

namespace witness {
namespace {

constexpr std::uint32_t kPolynomial = 0x82F63B78;  // 1EDC6F41 with its bits reversed

constexpr std::array<std::array<std::uint32_t, 256>, 8> MakeTables() {
  std::array<std::array<std::uint32_t, 256>, 8> tables{};
  for (std::uint32_t i = 0; i < 256; ++i) {
    std::uint32_t crc = i;
    for (int bit = 0; bit < 8; ++bit) crc = (crc >> 1) ^ ((crc & 1) != 0 ? kPolynomial : 0);
    tables[0][i] = crc;
  }
  for (std::uint32_t i = 0; i < 256; ++i) {
    for (std::size_t k = 1; k < 8; ++k) {
      const std::uint32_t before = tables[k - 1][i];
      tables[k][i] = (before >> 8) ^ tables[0][before & 0xFF];
    }
  }
  return tables;
}

constexpr auto kTables = MakeTables();

#if defined(__x86_64__)
// Three runs of this length are summed side by side: the instruction takes three cycles but one
// can start in each.
constexpr std::size_t kStripe = 1024;

// What appending kStripe zero bytes does to a CRC, as four tables over its bytes.
using ShiftTables = std::array<std::array<std::uint32_t, 256>, 4>;

constexpr std::uint32_t AppendZeros(std::uint32_t crc, std::size_t count) {
  for (std::size_t i = 0; i < count; ++i) crc = (crc >> 8) ^ kTables[0][crc & 0xFF];
  return crc;
}

constexpr ShiftTables MakeShiftTables() {
  // Appending zeros is linear over XOR: 32 single bits give all the rest.
  std::array<std::uint32_t, 32> of_bit{};
  for (std::size_t bit = 0; bit < 32; ++bit) {
    of_bit[bit] = AppendZeros(std::uint32_t{1} << bit, kStripe);
  }
  ShiftTables tables{};
  for (std::size_t k = 0; k < 4; ++k) {
    for (std::uint32_t i = 0; i < 256; ++i) {
      std::uint32_t crc = 0;
      for (std::size_t bit = 0; bit < 8; ++bit) {
        if ((i >> bit & 1) != 0) crc ^= of_bit[k * 8 + bit];
      }
      tables[k][i] = crc;
    }
  }
  return tables;
}

constexpr ShiftTables kShift = MakeShiftTables();

std::uint64_t ShiftByStripe(std::uint64_t crc) {
  return kShift[0][crc & 0xFF] ^ kShift[1][crc >> 8 & 0xFF] ^ kShift[2][crc >> 16 & 0xFF] ^
         kShift[3][crc >> 24 & 0xFF];
}

std::uint64_t Word(const char* p) {
  std::uint64_t word = 0;
  std::memcpy(&word, p, 8);
  return word;
}

__attribute__((target("sse4.2"))) std::uint32_t Crc32cByInstruction(ByteView bytes,
                                                                    std::uint32_t before) {
  std::uint64_t crc = ~before;
  const char* p = bytes.data();
  std::size_t left = bytes.size();
  while (left >= 3 * kStripe) {
    std::uint64_t second = 0;
    std::uint64_t third = 0;
    for (std::size_t i = 0; i < kStripe; i += 8) {
      crc = _mm_crc32_u64(crc, Word(p + i));
      second = _mm_crc32_u64(second, Word(p + kStripe + i));
      third = _mm_crc32_u64(third, Word(p + 2 * kStripe + i));
    }
    crc = ShiftByStripe(ShiftByStripe(crc) ^ second) ^ third;
    p += 3 * kStripe;
    left -= 3 * kStripe;
  }
  for (; left >= 8; left -= 8, p += 8) crc = _mm_crc32_u64(crc, Word(p));
  auto low = static_cast<std::uint32_t>(crc);
  for (; left > 0; --left, ++p) low = _mm_crc32_u8(low, static_cast<std::uint8_t>(*p));
  return ~low;
}
#endif

}  // namespace

std::uint32_t Crc32cByTable(ByteView bytes, std::uint32_t before) {
  std::uint32_t crc = ~before;
  const auto* p = reinterpret_cast<const std::uint8_t*>(bytes.data());
  std::size_t left = bytes.size();
  for (; left >= 8; left -= 8, p += 8) {
    crc ^= std::uint32_t{p[0]} | std::uint32_t{p[1]} << 8 | std::uint32_t{p[2]} << 16 |
           std::uint32_t{p[3]} << 24;
    crc = kTables[7][crc & 0xFF] ^ kTables[6][crc >> 8 & 0xFF] ^ kTables[5][crc >> 16 & 0xFF] ^
          kTables[4][crc >> 24] ^ kTables[3][p[4]] ^ kTables[2][p[5]] ^ kTables[1][p[6]] ^
          kTables[0][p[7]];
  }
  for (; left > 0; --left, ++p) crc = (crc >> 8) ^ kTables[0][(crc ^ *p) & 0xFF];
  return ~crc;
}

std::uint32_t Crc32c(ByteView bytes, std::uint32_t before) {
#if defined(__x86_64__)
  static const bool has_instruction = __builtin_cpu_supports("sse4.2") != 0;
  if (has_instruction) return Crc32cByInstruction(bytes, before);
#endif
  return Crc32cByTable(bytes, before);
}

}  // namespace witness
