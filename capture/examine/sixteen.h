// Sixteen bytes looked at in one go: most time over bytes goes to asking of each what sort it is.
//
// Masks have bit i set where byte i is of the sort. SSE2 where the processor has it, and a portable
// way beside it.
#pragma once

#include <array>
#include <bit>
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

  // The bytes from `from` on; sixteen must be there.
  explicit Sixteen(const char* from);
  // All of `bytes`, fewer than sixteen, and zeros behind them.
  explicit Sixteen(ByteView bytes);

  // Where one of `set` stands.
  template <typename... Set>
  std::uint32_t Any(Set... set) const;
  // Where a byte is printable ASCII.
  std::uint32_t Printable() const;
  // Writes all sixteen to `to`, with '0' for each digit.
  void PutDigitsAlike(char* to) const;

 private:
#if defined(__SSE2__)
  static std::uint32_t MaskOf(__m128i truth) {
    return static_cast<std::uint32_t>(_mm_movemask_epi8(truth));
  }
  __m128i Is(char c) const { return _mm_cmpeq_epi8(bytes_, _mm_set1_epi8(c)); }

  __m128i bytes_;
#else
  std::array<char, kSize> bytes_ = {};
#endif
};

// Calls `each(block, from, count)` for all of `bytes`, sixteen and at last fewer at a time, until
// it returns false.
template <typename Each>
void ForSixteens(ByteView bytes, const Each& each) {
  std::size_t at = 0;
  for (; at + Sixteen::kSize <= bytes.size(); at += Sixteen::kSize)
    if (!each(Sixteen(bytes.data() + at), at, Sixteen::kSize)) return;
  if (at < bytes.size()) each(Sixteen(bytes.substr(at)), at, bytes.size() - at);
}

// Where one of `set` stands first from `from` on; npos: nowhere.
template <typename... Set>
std::size_t FindAny(ByteView bytes, std::size_t from, Set... set) {
  std::size_t at = from;
  for (; at + Sixteen::kSize <= bytes.size(); at += Sixteen::kSize)
    if (const std::uint32_t found = Sixteen(bytes.data() + at).Any(set...))
      return at + static_cast<std::size_t>(std::countr_zero(found));
  if (at + 4 < bytes.size()) {
    const std::uint32_t found = Sixteen(bytes.substr(at)).Any(set...);
    return found == 0 ? ByteView::npos : at + static_cast<std::size_t>(std::countr_zero(found));
  }
  for (; at < bytes.size(); ++at)
    if (((bytes[at] == set) || ...)) return at;
  return ByteView::npos;
}

#if defined(__SSE2__)

inline Sixteen::Sixteen(const char* from)
    : bytes_(_mm_loadu_si128(reinterpret_cast<const __m128i*>(from))) {}

inline Sixteen::Sixteen(ByteView bytes) {
  static_assert(std::endian::native == std::endian::little);
  // Two reads that may overlap, put beside each other; nothing outside of `bytes` is read.
  const auto read = [&]<typename Word>(std::size_t at, Word word) {
    std::memcpy(&word, bytes.data() + at, sizeof word);
    return std::uint64_t{word};
  };
  const std::size_t size = bytes.size();
  std::uint64_t low = 0, high = 0;
  if (size >= 8) {
    low = read(0, std::uint64_t{});
    if (size > 8) high = read(size - 8, std::uint64_t{}) >> 8 * (16 - size);
  } else if (size >= 4) {
    low = read(0, std::uint32_t{}) | read(size - 4, std::uint32_t{}) << 8 * (size - 4);
  } else {
    for (std::size_t i = 0; i < size; ++i) low |= read(i, std::uint8_t{}) << 8 * i;
  }
  bytes_ = _mm_set_epi64x(static_cast<std::int64_t>(high), static_cast<std::int64_t>(low));
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

inline void Sixteen::PutDigitsAlike(char* to) const {
  // '0' to '9' are 30 to 39: what is behind 30, and not behind 39, is made 30.
  const __m128i behind = _mm_and_si128(_mm_cmpgt_epi8(bytes_, _mm_set1_epi8('0')),
                                       _mm_cmplt_epi8(bytes_, _mm_set1_epi8('9' + 1)));
  const __m128i out = _mm_or_si128(_mm_andnot_si128(behind, bytes_),
                                   _mm_and_si128(behind, _mm_set1_epi8('0')));
  _mm_storeu_si128(reinterpret_cast<__m128i*>(to), out);
}

#else

inline Sixteen::Sixteen(const char* from) { std::memcpy(bytes_.data(), from, kSize); }

inline Sixteen::Sixteen(ByteView bytes) { bytes.copy(bytes_.data(), kSize); }

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

inline void Sixteen::PutDigitsAlike(char* to) const {
  for (std::size_t i = 0; i < kSize; ++i)
    to[i] = bytes_[i] >= '0' && bytes_[i] <= '9' ? '0' : bytes_[i];
}

#endif

}  // namespace witness
