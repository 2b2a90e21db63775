// Whether a module gives commands back without their endings, and puts the answer behind on the
// same line: "level?" comes back as "level? 12.3".
#pragma once

#include "capture/examine/conventions.h"
#include "capture/examine/segmenter.h"
#include "capture/examine/tape.h"

namespace witness {

// Some modules repeat in their answers what they were asked: the same bytes, but no echo. An echo
// is given as the command comes, so that a pause stands behind it before the answer does. Where
// stamps are too late to show it in one answer, it shows in many: an adapter's timer cuts there
// more often than elsewhere, and reads with a pause in them are short. If it does not, nobody can
// tell.
BareEcho FindBareEcho(const Tape& tape, const SegmenterOptions& options);

}  // namespace witness
