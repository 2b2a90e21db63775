// How small a capture could be: an estimate that knows nothing of our format.
#pragma once

#include "tests/bench/traffic.h"

namespace witness {

// Bytes for the payload as the strongest level of a general compressor (zstd -22, window 128 MiB)
// makes it, in capture order or one side behind the other, whichever is smaller; plus the
// conditional entropies, with the correction of Miller and Madow for what a finite sample leaves
// out, of
//   sides     given the two sides before
//   lengths   given the side and the side before
//   times     between events: bits 16 and up given the side and the side before; bits 8 to 15 given
//             all those; bits 0 to 7 given nothing (they are the scheduler's noise)
double EstimateBytes(const Traffic& traffic);

}  // namespace witness
