// Some of the last values that came, hardly two of them the same. To remember one takes no decision
// that a processor could guess wrongly, since it is done for every third exchange.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>

#include "capture/base/bytes.h"

namespace witness {

class RecentValues {
 public:
  static constexpr std::size_t kLongest = 64;

  bool empty() const { return empty_; }

  // Takes the place of the same one, or of another, longer ones not at all. Two bytes or more.
  void Add(ByteView value) {
    if (value.size() > kLongest) return;
    empty_ = false;
    Place& place = places_[PlaceOf(value)];
    place.size = value.size();
    std::memcpy(place.bytes.data(), value.data(), value.size());
  }

  // Calls `each(value)` for all.
  template <typename Each>
  void ForAll(const Each& each) const {
    for (const Place& place : places_)
      if (place.size > 0) each(ByteView(place.bytes.data(), place.size));
  }

 private:
  static constexpr std::size_t kPlaces = 32;
  struct Place {
    std::size_t size = 0;
    std::array<char, kLongest> bytes;
  };

  // By size and last bytes, where values differ.
  static std::size_t PlaceOf(ByteView value) {
    std::uint16_t tail = 0;
    std::memcpy(&tail, value.data() + value.size() - sizeof tail, sizeof tail);
    return (tail + value.size()) * std::uint64_t{0x9E3779B97F4A7C15} >> 59;
  }

  std::array<Place, kPlaces> places_;
  bool empty_ = true;
};

}  // namespace witness
