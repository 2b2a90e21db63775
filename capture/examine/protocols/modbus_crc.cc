#include "capture/examine/protocols/modbus_crc.h"

#include <array>
#include <cstddef>
#include <cstdint>

#if defined(__x86_64__)
#include <wmmintrin.h>

#include "capture/examine/sixteen.h"
#endif

namespace witness::modbus {
namespace {

constexpr std::array<std::uint16_t, 256> kTable = [] {
  std::array<std::uint16_t, 256> table{};
  for (unsigned i = 0; i < 256; ++i) {
    unsigned crc = i;
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1) != 0 ? (crc >> 1) ^ 0xa001u : crc >> 1;
    table[i] = static_cast<std::uint16_t>(crc);
  }
  return table;
}();

#if defined(__x86_64__)

// A frame with its CRC is a multiple of the polynomial, once its first sixteen bits are inverted
// since the CRC begins with FFFF. Here a frame is a polynomial in y whose bit n, counted from the
// lowest of the first byte, is of y^n: the other way round, and so is what it has to be a multiple
// of. Powers of y do not matter to that, so it may be shifted at will.
constexpr std::uint64_t kReversed = 0x14003;  // y^16 + y^14 + y + 1

constexpr std::uint64_t Reduced(std::uint64_t a) {
  for (int bit = 63; bit >= 16; --bit)
    if ((a >> bit & 1) != 0) a ^= kReversed << (bit - 16);
  return a;
}

// y to the power of n, or of -n, reduced.
constexpr std::uint64_t PowerOfY(int n) {
  std::uint64_t out = 1;
  for (; n > 0; --n) out = Reduced(out << 1);
  for (; n < 0; ++n) out = ((out & 1) != 0 ? out ^ kReversed : out) >> 1;
  return out;
}

// What gives 1 with kReversed, but for powers from y^64 on: a multiple of it, times this, is what
// it is a multiple by.
constexpr std::uint64_t kInverse = [] {
  std::uint64_t inverse = 0, left = 1;
  for (int bit = 0; bit < 64; ++bit) {
    if ((left >> bit & 1) == 0) continue;
    inverse |= std::uint64_t{1} << bit;
    left ^= kReversed << bit;
  }
  return inverse;
}();

const bool kHasInstruction = __builtin_cpu_supports("pclmul") != 0;

[[gnu::target("pclmul")]] bool CrcFitsByInstruction(ByteView frame) {
  const auto load = [](const Sixteen& bytes) {
    return _mm_set_epi64x(static_cast<std::int64_t>(bytes.High()),
                          static_cast<std::int64_t>(bytes.Low()));
  };
  const __m128i inverted = _mm_set_epi64x(0, kCrcStart);
  const __m128i back = _mm_set_epi64x(PowerOfY(-64), PowerOfY(-128));
  const __m128i fold = _mm_set_epi64x(kInverse, PowerOfY(64));
  __m128i sum;
  if (frame.size() < Sixteen::kSize) {
    sum = _mm_xor_si128(load(Sixteen(frame)), inverted);
  } else {
    sum = _mm_xor_si128(load(Sixteen(frame.data())), inverted);
    // Of what came before and what comes: as if the next began with y^0.
    const auto add = [&](__m128i next) __attribute__((target("pclmul"))) {
      const __m128i low = _mm_clmulepi64_si128(sum, back, 0x00);
      const __m128i high = _mm_clmulepi64_si128(sum, back, 0x11);
      sum = _mm_xor_si128(_mm_xor_si128(low, high), next);
    };
    std::size_t at = Sixteen::kSize;
    for (; at + Sixteen::kSize <= frame.size(); at += Sixteen::kSize)
      add(load(Sixteen(frame.data() + at)));
    if (at < frame.size()) add(load(Sixteen(frame.substr(at))));
  }
  // What is of y^64 and more is made less, twice: of the first 79 powers, then of 64.
  const __m128i once = _mm_clmulepi64_si128(sum, fold, 0x01);
  const __m128i twice = _mm_clmulepi64_si128(once, fold, 0x01);
  const __m128i all = _mm_xor_si128(_mm_xor_si128(sum, once), twice);
  const __m128i times = _mm_clmulepi64_si128(all, fold, 0x10);
  return static_cast<std::uint64_t>(_mm_cvtsi128_si64(times)) >> 48 == 0;
}

#endif

}  // namespace

unsigned AddToCrc(unsigned crc, char c) {
  return (crc >> 8) ^ kTable[(crc ^ static_cast<unsigned char>(c)) & 0xff];
}

bool CrcFitsByTable(ByteView frame) {
  unsigned crc = kCrcStart;
  for (const char c : frame) crc = AddToCrc(crc, c);
  return crc == 0;
}

bool CrcFits(ByteView frame) {
#if defined(__x86_64__)
  if (kHasInstruction) return CrcFitsByInstruction(frame);
#endif
  return CrcFitsByTable(frame);
}

}  // namespace witness::modbus
