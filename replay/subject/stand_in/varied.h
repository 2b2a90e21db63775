// From a stand-in's part and the names of its variations to what is played.
#pragma once

#include "bytewitness/stand_in.h"
#include "capture/base/result.h"
#include "replay/vary/variation.h"

namespace trial {

// kInvalidArgument: no such variation, or one of a wire.
witness::Result<Varied> Prepare(const bytewitness::VariedPart& part);

}  // namespace trial
