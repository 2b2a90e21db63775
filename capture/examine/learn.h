// Learning the conventions of a line from a first stretch of it.
#pragma once

#include "capture/examine/conventions.h"
#include "capture/examine/segmenter.h"
#include "capture/examine/tape.h"

namespace witness {

Conventions LearnConventions(const Tape& tape, const SegmenterOptions& options);

}  // namespace witness
