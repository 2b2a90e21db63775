// Lengths of time, counted: minimum, median, percentiles, maximum, and bins for a plot.
//
// Exact for the first kExact values, then within 1 %: memory is bounded.
#pragma once

#include <algorithm>
#include <bit>
#include <cstdint>
#include <span>
#include <vector>

#include "capture/base/instant.h"

namespace witness {

class Distribution {
 public:
  static constexpr std::size_t kExact = 8192;

  void Add(Duration value) {
    value = std::max(value, Duration::Zero());
    ++count_;
    min_ = std::min(min_, value);
    max_ = std::max(max_, value);
    if (buckets_.empty())
      Keep(value);
    else
      ++buckets_[static_cast<std::size_t>(BucketOf(value))];
  }
  // Many in one go.
  void Add(std::span<const Duration> values) {
    if (buckets_.empty()) {
      for (const Duration value : values) Add(value);
      return;
    }
    count_ += values.size();
    Duration least = min_, most = max_;
    for (Duration value : values) {
      value = std::max(value, Duration::Zero());
      least = std::min(least, value);
      most = std::max(most, value);
      ++buckets_[static_cast<std::size_t>(BucketOf(value))];
    }
    min_ = least;
    max_ = most;
  }
  std::uint64_t count() const { return count_; }
  Duration min() const { return count_ == 0 ? Duration::Zero() : min_; }
  Duration max() const { return max_; }
  // The smallest value that at least `share` of all do not exceed (nearest rank); zero if empty.
  Duration Quantile(double share) const;
  Duration Median() const { return Quantile(0.5); }

  struct Bin {
    Duration from;  // inclusive
    Duration to;    // exclusive
    std::uint64_t count = 0;
  };
  // Octaves (each twice as long as the one before), from the first to the last that is not empty.
  std::vector<Bin> Octaves() const;

 private:
  static constexpr int kStepsShift = 6;  // 64 steps an octave: values within 0.8 %

  // Its first kStepsShift + 1 bits, and above them by how many it is longer. Not negative.
  static std::size_t BucketOf(Duration value) {
    const auto ns = static_cast<std::uint64_t>(value.ns());
    const int octave = static_cast<int>(std::bit_width(ns | 1u << kStepsShift)) - 1 - kStepsShift;
    return (static_cast<std::size_t>(octave) << kStepsShift) + (ns >> octave);
  }
  void Keep(Duration value);  // exactly, while there is room
  static Duration ValueOf(int bucket);

  std::uint64_t count_ = 0;
  Duration min_ = Duration::Max();
  Duration max_;
  mutable std::vector<Duration> exact_;
  mutable bool sorted_ = false;
  std::vector<std::uint64_t> buckets_;  // in use once there are more than kExact
};

}  // namespace witness
