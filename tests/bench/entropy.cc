#include "tests/bench/entropy.h"

#include <zstd.h>

#include <algorithm>
#include <cmath>
#include <unordered_map>

namespace witness {
namespace {

// Entropy in bits of values within contexts, summed over all that was seen.
class Conditional {
 public:
  void See(std::uint64_t context, std::uint64_t value) { ++contexts_[context][value]; }

  double Bits() const {
    double bits = 0;
    for (const auto& [context, values] : contexts_) {
      double total = 0;
      for (const auto& [value, count] : values) total += static_cast<double>(count);
      for (const auto& [value, count] : values) {
        const auto n = static_cast<double>(count);
        bits -= n * std::log2(n / total);
      }
      // Miller and Madow (1955): the plain estimate is too small by (values - 1) / 2n nats.
      bits += static_cast<double>(values.size() - 1) / 2 * std::log2(std::exp(1.0));
    }
    return bits;
  }

 private:
  std::unordered_map<std::uint64_t, std::unordered_map<std::uint64_t, std::uint64_t>> contexts_;
};

std::size_t Smallest(ByteView bytes) {
  ZSTD_CCtx* context = ZSTD_createCCtx();
  ZSTD_CCtx_setParameter(context, ZSTD_c_compressionLevel, 22);
  ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, 27);
  Bytes out(ZSTD_compressBound(bytes.size()), '\0');
  const std::size_t size =
      ZSTD_compress2(context, out.data(), out.size(), bytes.data(), bytes.size());
  ZSTD_freeCCtx(context);
  return size;
}

}  // namespace

double EstimateBytes(const Traffic& traffic) {
  Bytes by_side[3];
  Conditional sides, lengths, high, middle, low;
  std::uint64_t before = 0;
  std::uint64_t before_that = 0;
  std::uint64_t last = 0;
  for (const Event& event : traffic.events) {
    const auto side = static_cast<std::uint64_t>(event.side);
    by_side[side] += event.bytes;
    const auto at = static_cast<std::uint64_t>(event.at.ns());
    const std::uint64_t time = at - last;
    const std::uint64_t turn = side << 2 | before;
    sides.See(before << 2 | before_that, side);
    lengths.See(turn, event.bytes.size());
    high.See(turn, time >> 16);
    middle.See((time >> 16) << 4 | turn, time >> 8 & 0xFF);
    low.See(0, time & 0xFF);
    last = at;
    before_that = before;
    before = side;
  }
  std::size_t apart = 0;
  for (const Bytes& one : by_side) apart += one.empty() ? 0 : Smallest(one);
  const std::size_t payload = std::min(apart, Smallest(traffic.storage));
  return static_cast<double>(payload) +
         (sides.Bits() + lengths.Bits() + high.Bits() + middle.Bits() + low.Bits()) / 8;
}

}  // namespace witness
