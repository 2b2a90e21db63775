#include "replay/subject/sketch/waveform.h"

namespace trial {

WaveSender::WaveSender(double cycles_per_bit, const WaveFlaws& flaws)
    : bit_(cycles_per_bit / flaws.rate), flaws_(flaws), random_(flaws.seed * 2 + 1) {}

// Uniform in ± jitter, in cycles. A 64-bit linear congruential step, top bits used (multiplier from
// D. Knuth's MMIX generator); good enough to spread edges, and the same everywhere.
double WaveSender::Moved() {
  if (flaws_.jitter <= 0) return 0;
  random_ = random_ * 6364136223846793005ull + 1442695040888963407ull;
  const double unit = static_cast<double>(random_ >> 11) / 9007199254740992.0;  // 2^53
  return (2 * unit - 1) * flaws_.jitter * bit_;
}

double WaveSender::Byte(double start, std::uint8_t value, std::vector<Edge>& edges) {
  if (flaws_.glitch > 0 && flaws_.glitch_every > 0 && sent_ % flaws_.glitch_every == 0) {
    edges.push_back({start, false});
    edges.push_back({start + flaws_.glitch * bit_, true});
    start += 2 * bit_;
  }
  ++sent_;
  bool level = true;
  for (int i = 0; i < 10; ++i) {
    const bool bit = i == 0 ? false : i == 9 ? true : ((value >> (i - 1)) & 1) != 0;
    if (bit == level) continue;
    edges.push_back({start + i * bit_ + (i == 0 ? 0 : Moved()), bit});
    level = bit;
  }
  return start + (9 + flaws_.stop_bits) * bit_;
}

double WaveSender::Break(double start, double bits, std::vector<Edge>& edges) {
  edges.push_back({start, false});
  edges.push_back({start + bits * bit_, true});
  return start + (bits + 1) * bit_;
}

}  // namespace trial
