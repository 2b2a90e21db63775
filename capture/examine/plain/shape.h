// The shape of a line of text: its bytes, but all digits alike. What a module says again and again
// differs in its numbers only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <optional>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/examine/sixteen.h"

namespace witness {

// Of up to kLongest bytes.
class Shape {
 public:
  static constexpr std::size_t kLongest = 128;

  // `bytes` with '0' for each digit. `mark` is part of the shape, too.
  Shape(ByteView bytes, std::size_t mark) : size_(bytes.size()), mark_(mark) {
    std::size_t at = 0;
    for (; at + Sixteen::kSize <= size_; at += Sixteen::kSize)
      Sixteen(bytes.data() + at).PutDigitsAlike(bytes_.data() + at);
    if (at < size_) Sixteen(bytes.substr(at)).PutDigitsAlike(bytes_.data() + at);
    constexpr std::uint64_t kOdd = 0x9E3779B97F4A7C15, kOther = 0xC2B2AE3D27D4EB4F;
    std::uint64_t a = size_ << 16 | mark_, b = 0;
    for (std::size_t i = 0; i < size_; i += 16) {
      a = (a ^ Word(i)) * kOdd;
      b = (b ^ Word(i + 8)) * kOther;
      a ^= a >> 29;
      b ^= b >> 31;
    }
    hash_ = (a ^ b) * kOdd;
    hash_ ^= hash_ >> 32;
  }

  ByteView bytes() const { return {bytes_.data(), size_}; }
  std::uint64_t hash() const { return hash_; }
  bool operator==(const Shape& other) const {
    if (size_ != other.size_ || mark_ != other.mark_) return false;
    std::uint64_t differ = 0;
    for (std::size_t i = 0; i < size_; i += 8) differ |= Word(i) ^ other.Word(i);
    return differ == 0;
  }

 private:
  std::uint64_t Word(std::size_t at) const {
    std::uint64_t word = 0;
    std::memcpy(&word, bytes_.data() + at, sizeof word);
    return word;
  }

  // Behind the last sixteen begun nothing is looked at.
  alignas(16) std::array<char, kLongest> bytes_;
  std::size_t size_, mark_;
  std::uint64_t hash_ = 0;
};

// What was found out about shapes. Nothing is found out before a shape comes a second time, and a
// place once taken stays taken, so that talk that never repeats itself costs little.
template <typename Value>
class ShapeMemo {
 public:
  // The value of the shape, found out by `make(value)` if need be; valid for the life of this
  // object. nullptr: it comes for the first time, or is not remembered.
  template <typename Make>
  const Value* Of(const Shape& shape, const Make& make) {
    if (places_.empty()) places_.resize(kPlaces);
    Place& place = places_[shape.hash() & (kPlaces - 1)];
    if (place.hash == shape.hash() && place.shape && *place.shape == shape)
      return &place.value;
    return Miss(place, shape, make);
  }

 private:
  static constexpr std::size_t kPlaces = 1024;
  struct Place {
    std::uint64_t hash = 0;  // of what came last, if `shape` is empty
    std::optional<Shape> shape;
    Value value{};
  };

  template <typename Make>
  const Value* Miss(Place& place, const Shape& shape, const Make& make) {
    if (place.shape) return nullptr;
    if (place.hash != shape.hash()) {
      place.hash = shape.hash();
      return nullptr;
    }
    place.shape = shape;
    make(place.value);
    return &place.value;
  }

  std::vector<Place> places_;
};

}  // namespace witness
