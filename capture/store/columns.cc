#include "capture/store/columns.h"

#include <algorithm>
#include <cstring>

#include "capture/store/wire.h"

#if defined(__SSE2__)
#include <emmintrin.h>
#endif

namespace witness {
namespace {

std::uint64_t SumSlowly(const std::uint8_t* from, std::size_t count) {
  std::uint64_t sum = 0;
  for (std::size_t i = 0; i < count; ++i) sum += from[i];
  return sum;
}

void JoinSlowly(const std::array<const std::uint8_t*, 4>& columns, std::size_t from, std::size_t to,
                std::uint32_t* out) {
  for (std::size_t i = from; i < to; ++i) {
    std::uint32_t v = 0;
    for (std::size_t k = 0; k < 4; ++k) {
      if (columns[k] != nullptr) v |= std::uint32_t{columns[k][i]} << 8 * k;
    }
    out[i] = v;
  }
}

// Eight bytes of which each is a varint of its own: none has its highest bit set.
constexpr std::uint64_t kContinued = 0x8080808080808080;

}  // namespace

#if defined(__SSE2__)

std::uint64_t SumOf(ByteView column) {
  const auto* from = reinterpret_cast<const std::uint8_t*>(column.data());
  const std::size_t whole = column.size() / 16 * 16;
  const __m128i zero = _mm_setzero_si128();
  __m128i sum = zero;
  for (std::size_t i = 0; i < whole; i += 16) {
    const __m128i bytes = _mm_loadu_si128(reinterpret_cast<const __m128i*>(from + i));
    sum = _mm_add_epi64(sum, _mm_sad_epu8(bytes, zero));
  }
  std::array<std::uint64_t, 2> halves;
  _mm_storeu_si128(reinterpret_cast<__m128i*>(halves.data()), sum);
  return halves[0] + halves[1] + SumSlowly(from + whole, column.size() - whole);
}

void JoinColumns(const std::array<const std::uint8_t*, 4>& columns, std::size_t count,
                 std::uint32_t* to) {
  const std::size_t whole = count / 16 * 16;
  const auto load = [&columns](std::size_t k, std::size_t at) {
    return columns[k] == nullptr
               ? _mm_setzero_si128()
               : _mm_loadu_si128(reinterpret_cast<const __m128i*>(columns[k] + at));
  };
  for (std::size_t i = 0; i < whole; i += 16) {
    const __m128i c0 = load(0, i);
    const __m128i c1 = load(1, i);
    const __m128i c2 = load(2, i);
    const __m128i c3 = load(3, i);
    const __m128i low_a = _mm_unpacklo_epi8(c0, c1);
    const __m128i low_b = _mm_unpackhi_epi8(c0, c1);
    const __m128i high_a = _mm_unpacklo_epi8(c2, c3);
    const __m128i high_b = _mm_unpackhi_epi8(c2, c3);
    auto* out = reinterpret_cast<__m128i*>(to + i);
    _mm_storeu_si128(out, _mm_unpacklo_epi16(low_a, high_a));
    _mm_storeu_si128(out + 1, _mm_unpackhi_epi16(low_a, high_a));
    _mm_storeu_si128(out + 2, _mm_unpacklo_epi16(low_b, high_b));
    _mm_storeu_si128(out + 3, _mm_unpackhi_epi16(low_b, high_b));
  }
  JoinSlowly(columns, whole, count, to);
}

#else

std::uint64_t SumOf(ByteView column) {
  return SumSlowly(reinterpret_cast<const std::uint8_t*>(column.data()), column.size());
}

void JoinColumns(const std::array<const std::uint8_t*, 4>& columns, std::size_t count,
                 std::uint32_t* to) {
  JoinSlowly(columns, 0, count, to);
}

#endif

template <typename T>
bool TakePacked(ByteView bytes, std::size_t limit, std::vector<T>& to) {
  const char* p = bytes.data();
  const char* const end = p + bytes.size();
  to.resize(std::min(limit, bytes.size()));  // each takes a byte at least
  T* out = to.data();
  T* const out_end = out + to.size();
  while (p != end) {
    // Most are short: eight that take a byte each, at once.
    if (end - p >= 8 && out_end - out >= 8) {
      std::uint64_t word = 0;
      std::memcpy(&word, p, 8);
      if ((word & kContinued) == 0) {
        for (int i = 0; i < 8; ++i) out[i] = static_cast<std::uint8_t>(p[i]);
        out += 8;
        p += 8;
        continue;
      }
    }
    WireCursor cursor(ByteView(p, static_cast<std::size_t>(end - p)));
    std::uint64_t v = 0;
    if (out == out_end || !cursor.Varint(v) || v > std::numeric_limits<T>::max()) return false;
    *out++ = static_cast<T>(v);
    p = cursor.position();
  }
  to.resize(static_cast<std::size_t>(out - to.data()));
  return true;
}

template bool TakePacked(ByteView, std::size_t, std::vector<std::uint32_t>&);
template bool TakePacked(ByteView, std::size_t, std::vector<std::uint64_t>&);

}  // namespace witness
