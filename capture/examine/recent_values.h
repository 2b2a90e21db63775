// The last few values that differ from each other.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>

#include "capture/base/bytes.h"

namespace witness {

class RecentValues {
 public:
  bool empty() const { return size_ == 0; }
  const Bytes* begin() const { return values_.data(); }
  const Bytes* end() const { return values_.data() + size_; }

  // If it is none of them, it takes the place of the one that has been there for longest. Not empty.
  void Add(ByteView value) {
    const std::uint64_t key = KeyOf(value);
    for (std::size_t i = 0; i < size_; ++i)
      if (keys_[i] == key && values_[i] == value) return;
    values_[next_] = value;
    keys_[next_] = key;
    next_ = (next_ + 1) % kMost;
    if (size_ < kMost) ++size_;
  }

 private:
  static constexpr std::size_t kMost = 8;

  // Of its size and last bytes, where values differ.
  static std::uint64_t KeyOf(ByteView value) {
    std::uint64_t tail = 0;
    const std::size_t n = value.size() < sizeof tail ? value.size() : sizeof tail;
    std::memcpy(&tail, value.data() + value.size() - n, n);
    return tail ^ std::uint64_t{value.size()} << 56;
  }

  std::array<Bytes, kMost> values_;
  std::array<std::uint64_t, kMost> keys_ = {};
  std::size_t size_ = 0, next_ = 0;
};

}  // namespace witness
