#include "capture/examine/distribution.h"

#include <algorithm>
#include <bit>
#include <cmath>

namespace witness {

Duration Distribution::ValueOf(int bucket) {
  if (bucket < (1 << kStepsShift)) return Duration::Nanoseconds(bucket);
  const int octave = (bucket >> kStepsShift) - 1;
  const std::int64_t low = (bucket & ((1 << kStepsShift) - 1)) + (1 << kStepsShift);
  const std::int64_t middle = octave == 0 ? 0 : std::int64_t{1} << (octave - 1);
  return Duration::Nanoseconds((low << octave) + middle);
}

void Distribution::Keep(Duration value) {
  if (exact_.size() < kExact) {
    exact_.push_back(value);
    sorted_ = false;
    return;
  }
  buckets_.resize(std::size_t{64 - kStepsShift + 1} << kStepsShift);
  for (const Duration kept : exact_) ++buckets_[BucketOf(kept)];
  exact_.clear();
  ++buckets_[BucketOf(value)];
}

Duration Distribution::Quantile(double share) const {
  if (count_ == 0) return Duration::Zero();
  const auto rank = std::clamp<std::uint64_t>(
      static_cast<std::uint64_t>(std::ceil(share * static_cast<double>(count_))), 1, count_);
  if (buckets_.empty()) {
    if (!sorted_) std::sort(exact_.begin(), exact_.end());
    sorted_ = true;
    return exact_[rank - 1];
  }
  std::uint64_t seen = 0;
  for (std::size_t bucket = 0; bucket < buckets_.size(); ++bucket) {
    seen += buckets_[bucket];
    if (seen >= rank) return std::clamp(ValueOf(static_cast<int>(bucket)), min_, max_);
  }
  return max_;
}

std::vector<Distribution::Bin> Distribution::Octaves() const {
  std::vector<Bin> out;
  if (count_ == 0) return out;
  const auto octave = [](Duration d) {
    return d.ns() <= 0 ? 0 : static_cast<int>(std::bit_width(static_cast<std::uint64_t>(d.ns())));
  };
  const int first = octave(min_);
  for (int o = first; o <= octave(max_); ++o) {
    Bin bin;
    bin.from = Duration::Nanoseconds(o == 0 ? 0 : std::int64_t{1} << (o - 1));
    bin.to = o >= 63 ? Duration::Max() : Duration::Nanoseconds(std::int64_t{1} << o);
    out.push_back(bin);
  }
  const auto add = [&](Duration value, std::uint64_t n) {
    const int at = std::clamp(octave(value) - first, 0, static_cast<int>(out.size()) - 1);
    out[static_cast<std::size_t>(at)].count += n;
  };
  for (const Duration value : exact_) add(value, 1);
  for (std::size_t bucket = 0; bucket < buckets_.size(); ++bucket)
    if (buckets_[bucket] > 0) add(ValueOf(static_cast<int>(bucket)), buckets_[bucket]);
  return out;
}

}  // namespace witness
