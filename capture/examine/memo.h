// Remembers what was found out about a run of bytes, for when the same bytes come again: in talk on
// a line most of what is said has been said before.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstring>
#include <vector>

#include "capture/base/bytes.h"

namespace witness {

// At most `kPlaces` values; a newer one takes the place of an older. Bytes longer than
// kLongestRemembered are not remembered: they hardly come again.
template <typename Value, std::size_t kPlaces = 1024>
class Memo {
 public:
  static constexpr std::size_t kLongestRemembered = 64;
  static_assert((kPlaces & (kPlaces - 1)) == 0);

  // The value of `bytes` and `key`, or what `make` says that it is. Valid until the next call.
  template <typename Make>
  const Value& Of(ByteView bytes, std::uint8_t key, const Make& make) {
    if (bytes.size() > kLongestRemembered) {
      unkept_ = make();
      return unkept_;
    }
    if (places_.empty()) places_.resize(kPlaces);
    Place& place = places_[Hash(bytes, key) & (kPlaces - 1)];
    const bool known = place.size == bytes.size() && place.key == key &&
                       std::memcmp(place.bytes, bytes.data(), bytes.size()) == 0;
    if (!known) {
      place.value = make();
      place.size = static_cast<std::uint8_t>(bytes.size());
      place.key = key;
      std::memcpy(place.bytes, bytes.data(), bytes.size());
    }
    return place.value;
  }

 private:
  struct Place {
    std::uint8_t size = 0xff;  // none
    std::uint8_t key = 0;
    char bytes[kLongestRemembered];
    Value value;
  };

  static std::uint64_t Hash(ByteView bytes, std::uint8_t key) {
    constexpr std::uint64_t kOdd = 0x9E3779B97F4A7C15;
    std::uint64_t hash = bytes.size() << 8 | key, word = 0;
    std::size_t at = 0;
    for (; at + sizeof word <= bytes.size(); at += sizeof word) {
      std::memcpy(&word, bytes.data() + at, sizeof word);
      hash = (hash ^ word) * kOdd;
      hash ^= hash >> 32;
    }
    word = 0;
    for (; at < bytes.size(); ++at) word = word << 8 | static_cast<unsigned char>(bytes[at]);
    hash = (hash ^ word) * kOdd;
    return hash >> 40;
  }

  std::vector<Place> places_;
  Value unkept_{};
};

}  // namespace witness
