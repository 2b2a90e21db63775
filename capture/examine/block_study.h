// How much of what a side says between silences of some length are whole blocks of a protocol,
// though nothing is known of that but what most have: each kind its size, or a length in its head.
#pragma once

#include "capture/examine/segmenter.h"
#include "capture/examine/tape.h"

namespace witness {

// 0 to 1; 0 also if there are few. What comes back of the host's words cuts none of them.
double ShareOfWholeBlocks(const Tape& tape, const SegmenterOptions& options, Duration silence,
                          Side side);

}  // namespace witness
