// A list of segments whose buffers live on when it is cleared, to be filled again: exchanges come
// and go by the million.
#pragma once

#include <cstddef>
#include <initializer_list>
#include <utility>
#include <vector>

#include "capture/examine/segment.h"

namespace witness {

class SegmentList {
 public:
  SegmentList() = default;
  SegmentList(std::initializer_list<Segment> segments) : all_(segments), size_(all_.size()) {}
  // What was cleared away does not go with a copy.
  SegmentList(const SegmentList& other) : all_(other.begin(), other.end()), size_(other.size_) {}
  SegmentList(SegmentList&& other) noexcept
      : all_(std::move(other.all_)), size_(std::exchange(other.size_, 0)) {}
  SegmentList& operator=(SegmentList other) noexcept {
    all_.swap(other.all_);
    size_ = other.size_;
    return *this;
  }
  ~SegmentList() = default;

  // Makes room for one more and gives it: to be overwritten, it may hold what was there before.
  Segment& Append() {
    if (size_ == all_.size()) all_.emplace_back();
    return all_[size_++];
  }
  void clear() { size_ = 0; }
  // Bytes that it holds on to.
  std::size_t capacity() const {
    std::size_t out = 0;
    for (const Segment& s : all_) out += sizeof s + s.bytes.capacity();
    return out;
  }

  bool empty() const { return size_ == 0; }
  std::size_t size() const { return size_; }
  const Segment* begin() const { return all_.data(); }
  const Segment* end() const { return all_.data() + size_; }
  const Segment& operator[](std::size_t i) const { return all_[i]; }
  const Segment& back() const { return all_[size_ - 1]; }

 private:
  std::vector<Segment> all_;
  std::size_t size_ = 0;
};

}  // namespace witness
