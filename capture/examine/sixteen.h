// Sixteen bytes looked at in one go: most time over bytes goes to asking of each what sort it is.
//
// Masks have bit i set where byte i is of the sort. SSE2 where the processor has it, and a portable
// way beside it.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>

#include "capture/base/bytes.h"

#if defined(__SSE2__)
#include <emmintrin.h>
#endif

namespace witness {

class Sixteen {
 public:
  static constexpr std::size_t kSize = 16;
  static constexpr std::uint32_t kAll = 0xffff;

  // The bytes from `from` on; sixteen must be there.
  explicit Sixteen(const char* from);
  // All of `bytes`, four to sixteen of them, some twice: for questions about all of them.
  static Sixteen Of(ByteView bytes);

  // Where one of `set` stands.
  template <typename... Set>
  std::uint32_t Any(Set... set) const;
  // Where a byte is printable ASCII.
  std::uint32_t Printable() const;

 private:
#if defined(__SSE2__)
  explicit Sixteen(__m128i bytes) : bytes_(bytes) {}
  static std::uint32_t MaskOf(__m128i truth) {
    return static_cast<std::uint32_t>(_mm_movemask_epi8(truth));
  }
  __m128i Is(char c) const { return _mm_cmpeq_epi8(bytes_, _mm_set1_epi8(c)); }

  __m128i bytes_;
#else
  Sixteen() = default;

  std::array<char, kSize> bytes_;
#endif
};

#if defined(__SSE2__)

inline Sixteen::Sixteen(const char* from)
    : bytes_(_mm_loadu_si128(reinterpret_cast<const __m128i*>(from))) {}

inline Sixteen Sixteen::Of(ByteView bytes) {
  const char* const first = bytes.data();
  const char* const end = first + bytes.size();
  if (bytes.size() >= 8)
    return Sixteen(_mm_unpacklo_epi64(_mm_loadl_epi64(reinterpret_cast<const __m128i*>(first)),
                                      _mm_loadl_epi64(reinterpret_cast<const __m128i*>(end - 8))));
  std::int32_t a = 0, b = 0;
  std::memcpy(&a, first, sizeof a);
  std::memcpy(&b, end - sizeof b, sizeof b);
  return Sixteen(_mm_set_epi32(a, b, a, b));
}

template <typename... Set>
std::uint32_t Sixteen::Any(Set... set) const {
  __m128i truth = _mm_setzero_si128();
  ((truth = _mm_or_si128(truth, Is(set))), ...);
  return MaskOf(truth);
}

inline std::uint32_t Sixteen::Printable() const {
  // Compared as signed: bytes from 80 on are negative.
  const __m128i from_space = _mm_cmpgt_epi8(bytes_, _mm_set1_epi8(0x1f));
  return MaskOf(_mm_andnot_si128(Is(0x7f), from_space));
}

#else

inline Sixteen::Sixteen(const char* from) { std::memcpy(bytes_.data(), from, kSize); }

inline Sixteen Sixteen::Of(ByteView bytes) {
  Sixteen out;
  for (std::size_t i = 0; i < kSize; ++i) out.bytes_[i] = bytes[i % bytes.size()];
  return out;
}

template <typename... Set>
std::uint32_t Sixteen::Any(Set... set) const {
  std::uint32_t mask = 0;
  for (std::size_t i = 0; i < kSize; ++i)
    mask |= static_cast<std::uint32_t>(((bytes_[i] == set) || ...)) << i;
  return mask;
}

inline std::uint32_t Sixteen::Printable() const {
  std::uint32_t mask = 0;
  for (std::size_t i = 0; i < kSize; ++i)
    mask |= static_cast<std::uint32_t>(bytes_[i] >= 0x20 && bytes_[i] < 0x7f) << i;
  return mask;
}

#endif

}  // namespace witness
