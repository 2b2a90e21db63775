// Sixteen bytes looked at in one go: most time over bytes goes to asking of each what sort it is.
//
// Masks have bit i set where byte i is of the sort. SSE2 where the processor has it, and a portable
// way beside it.
#pragma once

#include <algorithm>
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
  // Where a byte is a letter or digit of ASCII.
  std::uint32_t LettersAndDigits() const;
  // Something that is the same for two whose bytes are the same but for which digits they are, and
  // for no others.
  Sixteen DigitsAlike() const;
  // Zeros in place of all but the first, or the last, `count` of them.
  Sixteen First(std::size_t count) const;
  Sixteen Last(std::size_t count) const;
  // The last eight, then the first eight.
  Sixteen HalvesChanged() const;
  // The first eight and the last eight as numbers, which mean nothing but that they differ.
  std::uint64_t Low() const;
  std::uint64_t High() const;
  // Where two differ, bit by bit; what stands in either; whether nothing is set.
  Sixteen operator^(const Sixteen& other) const;
  Sixteen& operator|=(const Sixteen& other);
  bool IsZero() const;

 private:
#if defined(__SSE2__)
  static std::uint32_t MaskOf(__m128i truth) {
    return static_cast<std::uint32_t>(_mm_movemask_epi8(truth));
  }
  explicit Sixteen(__m128i bytes) : bytes_(bytes) {}
  // Sixteen times zero, then FF, then zero: what stands there from `from` on.
  static __m128i MaskFrom(std::size_t from) {
    alignas(16) static constexpr std::array<std::uint8_t, 3 * kSize> kMask = [] {
      std::array<std::uint8_t, 3 * kSize> out{};
      for (std::size_t i = kSize; i < 2 * kSize; ++i) out[i] = 0xff;
      return out;
    }();
    return _mm_loadu_si128(reinterpret_cast<const __m128i*>(kMask.data() + from));
  }
  __m128i Are(char c) const { return _mm_cmpeq_epi8(bytes_, _mm_set1_epi8(c)); }

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
  ((truth = _mm_or_si128(truth, Are(set))), ...);
  return MaskOf(truth);
}

inline std::uint32_t Sixteen::Printable() const {
  // Compared as signed: bytes from 80 on are negative.
  const __m128i from_space = _mm_cmpgt_epi8(bytes_, _mm_set1_epi8(0x1f));
  return MaskOf(_mm_andnot_si128(Are(0x7f), from_space));
}

inline std::uint32_t Sixteen::LettersAndDigits() const {
  const auto within = [](__m128i bytes, char least, char most) {
    return _mm_and_si128(_mm_cmpgt_epi8(bytes, _mm_set1_epi8(static_cast<char>(least - 1))),
                         _mm_cmplt_epi8(bytes, _mm_set1_epi8(static_cast<char>(most + 1))));
  };
  const __m128i lower = _mm_or_si128(bytes_, _mm_set1_epi8(0x20));  // of letters
  return MaskOf(_mm_or_si128(within(lower, 'a', 'z'), within(bytes_, '0', '9')));
}

inline Sixteen Sixteen::DigitsAlike() const {
  // '0' to '9' are 30 to 39: they become 0 to 9, and no other byte does.
  const __m128i changed = _mm_xor_si128(bytes_, _mm_set1_epi8('0'));
  return Sixteen(_mm_max_epu8(changed, _mm_set1_epi8(9)));
}

inline Sixteen Sixteen::First(std::size_t count) const {
  return Sixteen(_mm_and_si128(bytes_, MaskFrom(2 * kSize - count)));
}

inline Sixteen Sixteen::Last(std::size_t count) const {
  return Sixteen(_mm_and_si128(bytes_, MaskFrom(count)));
}

inline Sixteen Sixteen::HalvesChanged() const {
  return Sixteen(_mm_shuffle_epi32(bytes_, _MM_SHUFFLE(1, 0, 3, 2)));
}

inline std::uint64_t Sixteen::Low() const {
  return static_cast<std::uint64_t>(_mm_cvtsi128_si64(bytes_));
}

inline std::uint64_t Sixteen::High() const {
  return static_cast<std::uint64_t>(_mm_cvtsi128_si64(_mm_unpackhi_epi64(bytes_, bytes_)));
}

inline Sixteen Sixteen::operator^(const Sixteen& other) const {
  return Sixteen(_mm_xor_si128(bytes_, other.bytes_));
}

inline Sixteen& Sixteen::operator|=(const Sixteen& other) {
  bytes_ = _mm_or_si128(bytes_, other.bytes_);
  return *this;
}

inline bool Sixteen::IsZero() const { return MaskOf(Are('\0')) == 0xffff; }

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

inline std::uint32_t Sixteen::LettersAndDigits() const {
  std::uint32_t mask = 0;
  for (std::size_t i = 0; i < kSize; ++i) {
    const char c = bytes_[i], lower = static_cast<char>(c | 0x20);
    const bool is = (c >= '0' && c <= '9') || (lower >= 'a' && lower <= 'z');
    mask |= static_cast<std::uint32_t>(is) << i;
  }
  return mask;
}

inline Sixteen Sixteen::DigitsAlike() const {
  Sixteen out = *this;
  for (char& c : out.bytes_) {
    const auto changed = static_cast<unsigned char>(c ^ '0');
    c = static_cast<char>(std::max<unsigned char>(changed, 9));
  }
  return out;
}

inline Sixteen Sixteen::First(std::size_t count) const {
  Sixteen out = *this;
  std::fill(out.bytes_.begin() + static_cast<std::ptrdiff_t>(count), out.bytes_.end(), '\0');
  return out;
}

inline Sixteen Sixteen::Last(std::size_t count) const {
  Sixteen out = *this;
  std::fill(out.bytes_.begin(), out.bytes_.end() - static_cast<std::ptrdiff_t>(count), '\0');
  return out;
}

inline Sixteen Sixteen::HalvesChanged() const {
  Sixteen out = *this;
  std::rotate(out.bytes_.begin(), out.bytes_.begin() + kSize / 2, out.bytes_.end());
  return out;
}

inline std::uint64_t Sixteen::Low() const {
  std::uint64_t out = 0;
  std::memcpy(&out, bytes_.data(), sizeof out);
  return out;
}

inline std::uint64_t Sixteen::High() const {
  std::uint64_t out = 0;
  std::memcpy(&out, bytes_.data() + sizeof out, sizeof out);
  return out;
}

inline Sixteen Sixteen::operator^(const Sixteen& other) const {
  Sixteen out = *this;
  for (std::size_t i = 0; i < kSize; ++i)
    out.bytes_[i] = static_cast<char>(out.bytes_[i] ^ other.bytes_[i]);
  return out;
}

inline Sixteen& Sixteen::operator|=(const Sixteen& other) {
  for (std::size_t i = 0; i < kSize; ++i)
    bytes_[i] = static_cast<char>(bytes_[i] | other.bytes_[i]);
  return *this;
}

inline bool Sixteen::IsZero() const { return bytes_ == std::array<char, kSize>{}; }

#endif

}  // namespace witness
