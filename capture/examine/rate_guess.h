// At which rate rubbish was sent.
//
// Text sent at one rate and read at another comes out as bytes of its own kind: at half the rate
// each bit is read twice, at a twelfth all is 00 and FE. So the way is forward: text is sent at
// each usual rate through a model of a receiver at the rate of the capture, and the rate whose
// bytes look most like those of the capture is the likely one. A receiver takes the falling edge
// for the start and reads in the middle of each bit (common practice, no source).
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "capture/base/line_settings.h"

namespace witness {

// How often each byte came.
using ByteCounts = std::array<std::uint64_t, 256>;

struct RateGuess {
  // A receiver that is too slow skips bits, and what is left says only that it was too slow.
  enum class Kind { kSlower, kThis, kFaster };  // than the receiver
  Kind kind = Kind::kThis;
  std::uint32_t baud = 0;  // with kThis
};

// Which of the usual rates (300 to 1000000) fits `counts` as read with `receiver`. Nothing: too few
// bytes, or none fits clearly better than the receiver's own rate.
std::optional<RateGuess> GuessRate(const ByteCounts& counts, const LineSettings& receiver);

}  // namespace witness
