// The shape of text: its bytes, but all digits alike. What a module says again and again differs in
// its numbers only.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <utility>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/examine/sixteen.h"

namespace witness {

inline Bytes WithDigits(ByteView bytes, char digit) {
  Bytes out(bytes);
  for (char& c : out)
    if (c >= '0' && c <= '9') c = digit;
  return out;
}

// What was found out about shapes. Nothing is found out before a shape comes a second time, and a
// place once taken stays taken, so that talk that never repeats itself costs little.
template <typename Value>
class ShapeMemo {
 public:
  static constexpr std::size_t kShortest = Sixteen::kSize, kLongest = 128;

  // What there is to know of all that has the shape of `bytes`, with a mark at `mark` <=
  // bytes.size(); found out by `make(value)` if need be. nullptr: it comes for the first time, or
  // is not remembered. Valid for the life of this object.
  template <typename Make>
  [[gnu::always_inline]] Value* Of(ByteView bytes, std::size_t mark, const Make& make) {
    if (bytes.size() < kShortest || bytes.size() > kLongest) return nullptr;
    if (places_.empty()) places_.resize(kPlaces);
    const Shape shape(bytes, mark);
    Place& place = places_[shape.hash % kPlaces];
    if (place.sizes == shape.sizes && IsLike(place, shape)) [[likely]]
      return &place.value;
    return Miss(shape, make);
  }

 private:
  static constexpr std::size_t kPlaces = 1024;
  struct Place {
    std::uint64_t sizes = 0;           // 0: nothing is known yet
    std::uint64_t hash = 0;            // of what came last, as long as nothing is known
    std::array<char, kLongest> bytes;  // any of the shape
    Value value{};
  };

  // How it begins and how it ends, and a number of that, of how it goes on behind the mark, and of
  // the sizes.
  struct Shape {
    Shape(ByteView all, std::size_t mark)
        : bytes(all.data()),
          last(all.size() - kShortest),
          sizes(all.size() | std::uint64_t{mark} << 32),
          head(Sixteen(bytes).DigitsAlike()),
          tail(Sixteen(bytes + last).DigitsAlike()) {
      const Sixteen middle = Sixteen(bytes + std::min(mark, last)).DigitsAlike();
      const Sixteen both = head ^ middle.HalvesChanged();
      hash = (both.Low() ^ sizes) * 0x9E3779B97F4A7C15 +
             (both.High() ^ tail.Low()) * 0xC2B2AE3D27D4EB4F;
      hash = (hash ^ hash >> 32 ^ tail.High()) * 0xD6E8FEB86659FD93;
      hash >>= 32;
    }

    const char* bytes;
    std::size_t last;  // where the last sixteen begin
    std::uint64_t sizes, hash;
    Sixteen head, tail;
  };

  // They have the same size.
  [[gnu::always_inline]] static bool IsLike(const Place& place, const Shape& shape) {
    const auto differs = [&](std::size_t at) {
      return Sixteen(shape.bytes + at).DigitsAlike() ^
             Sixteen(place.bytes.data() + at).DigitsAlike();
    };
    // Most are this short. So all is looked at in the same number of steps, some of it twice: to
    // guess wrongly how many it takes would take longer.
    Sixteen all = shape.head ^ Sixteen(place.bytes.data()).DigitsAlike();
    all |= shape.tail ^ Sixteen(place.bytes.data() + shape.last).DigitsAlike();
    all |= differs(std::min(1 * kShortest, shape.last));
    all |= differs(std::min(2 * kShortest, shape.last));
    for (std::size_t at = 3 * kShortest; at < shape.last; at += kShortest) all |= differs(at);
    return all.IsZero();
  }

  // It is looked for in two places, so that two that fall on the same one are both known.
  template <typename Make>
  [[gnu::noinline]] Value* Miss(const Shape& shape, const Make& make) {
    for (const std::uint64_t number : {shape.hash, shape.hash >> 16}) {
      Place& place = places_[number % kPlaces];
      if (place.sizes == 0) {
        if (std::exchange(place.hash, shape.hash) != shape.hash) return nullptr;
        const ByteView bytes(shape.bytes, shape.last + kShortest);
        bytes.copy(place.bytes.data(), bytes.size());
        place.sizes = shape.sizes;
        make(place.value);
        return &place.value;
      }
      if (place.sizes == shape.sizes && IsLike(place, shape)) return &place.value;
    }
    return nullptr;
  }

  std::vector<Place> places_;
};

}  // namespace witness
