// From a survey's profile to a part that answers as the profile says.
#pragma once

#include "capture/profile/profile.h"
#include "replay/part/build.h"

namespace trial {

// One rule for each command that was sent, its different answers in the order of their frequency,
// each with the median of what was measured. What a profile does not hold (when something unasked
// is said, where a banner stands, pieces of answers that came in different ways) is reckoned or
// left out, and the remarks say so. kInvalidArgument: the module did not answer, nothing can be
// played.
witness::Result<BuiltPart> BuildPartFromProfile(const witness::Profile& profile);

}  // namespace trial
