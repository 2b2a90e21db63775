// The shape of text: its bytes, but all digits alike. What a module says again and again differs in
// its numbers only.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>
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
  Value* Of(ByteView bytes, std::size_t mark, const Make& make) {
    if (bytes.size() < kShortest || bytes.size() > kLongest) return nullptr;
    if (places_.empty()) places_.resize(kPlaces);
    const std::uint64_t hash = Hash(bytes, mark);
    Place& place = places_[hash & (kPlaces - 1)];
    if (place.size == bytes.size() && place.mark == mark && IsLike(place, bytes)) [[likely]]
      return &place.value;
    return Miss(place, hash, bytes, mark, make);
  }

 private:
  static constexpr std::size_t kPlaces = 1024;
  struct Place {
    std::uint64_t hash = 0;  // of what came last, as long as `size` is 0
    std::size_t size = 0, mark = 0;
    std::array<char, kLongest> bytes;  // with digits alike
    Value value{};
  };

  // Of how it begins, how it goes on behind the mark, how it ends, and the sizes.
  static std::uint64_t Hash(ByteView bytes, std::size_t mark) {
    constexpr std::uint64_t kOdd = 0x9E3779B97F4A7C15, kOther = 0xC2B2AE3D27D4EB4F;
    const std::size_t last = bytes.size() - kShortest;
    const auto at = [&](std::size_t from) { return Sixteen(bytes.data() + from).DigitsAlike(); };
    const Sixteen head = at(0), middle = at(mark < last ? mark : last), tail = at(last);
    std::uint64_t hash = (head.Low() ^ bytes.size()) * kOdd + (head.High() ^ mark) * kOther;
    hash = (hash ^ hash >> 29 ^ middle.Low()) * kOdd + (middle.High() ^ tail.Low()) * kOther;
    hash = (hash ^ hash >> 31 ^ tail.High()) * kOdd;
    return hash >> 32;
  }

  // `bytes` has place.size of them.
  static bool IsLike(const Place& place, ByteView bytes) {
    const std::size_t last = bytes.size() - kShortest;
    const auto differs = [&](std::size_t at) {
      return Sixteen(bytes.data() + at).DigitsAlike() ^ Sixteen(place.bytes.data() + at);
    };
    // Most are this short. So all is looked at in the same number of steps, some of it twice: to
    // guess wrongly how many it takes would take longer.
    Sixteen all = differs(last);
    for (std::size_t at = 0; at < 3 * kShortest; at += kShortest)
      all |= differs(std::min(at, last));
    for (std::size_t at = 3 * kShortest; at < last; at += kShortest) all |= differs(at);
    return all.IsZero();
  }

  template <typename Make>
  Value* Miss(Place& place, std::uint64_t hash, ByteView bytes, std::size_t mark,
              const Make& make) {
    if (place.size != 0) return nullptr;
    if (place.hash != hash) {
      place.hash = hash;
      return nullptr;
    }
    WithDigits(bytes, '0').copy(place.bytes.data(), bytes.size());
    place.size = bytes.size();
    place.mark = mark;
    make(place.value);
    return &place.value;
  }

  std::vector<Place> places_;
};

}  // namespace witness
