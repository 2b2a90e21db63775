// A sender's waveform on one wire, with the flaws that real senders have. Pure arithmetic: byte and
// start in, edges out, in cycles of the receiver's clock.
//
// Start-stop format, 8 data bits, least significant first, no parity; idle and stop are high
// (common practice; ITU-T V.4 gives the order of bits).
#pragma once

#include <cstdint>
#include <vector>

namespace trial {

struct WaveFlaws {
  double rate = 1.0;       // times the nominal rate: 1.03 sends 3 % too fast
  double jitter = 0.0;     // each edge but the start's is moved by up to ± so much of a bit
  double stop_bits = 1.0;  // how long the line stays high behind a byte, at least
  double glitch = 0.0;     // width, in bits, of a low pulse in the middle of the idle line; 0: none
  std::uint32_t glitch_every = 0;  // before each so many bytes
  std::uint64_t seed = 1;          // of the jitter
  bool operator==(const WaveFlaws&) const = default;
};

struct Edge {
  double at = 0;  // cycle
  bool high = true;
};

class WaveSender {
 public:
  // `cycles_per_bit` of the nominal rate.
  WaveSender(double cycles_per_bit, const WaveFlaws& flaws);

  // Edges of one byte whose start bit falls at `start`; returns the cycle at which the next byte
  // may start. `edges` is added to, in time order.
  double Byte(double start, std::uint8_t value, std::vector<Edge>& edges);

  // The line held low for `bits` bit times, then high for one. 10 or more is a break.
  double Break(double start, double bits, std::vector<Edge>& edges);

  double cycles_per_bit() const { return bit_; }  // as sent

 private:
  double Moved();

  double bit_;
  WaveFlaws flaws_;
  std::uint64_t random_;
  std::uint32_t sent_ = 0;
};

}  // namespace trial
