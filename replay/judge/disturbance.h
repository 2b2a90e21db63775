// What a busy machine did to a run. In virtual time nothing ever does.
#pragma once

#include "replay/judge/trials.h"

namespace trial {

// Our own sends came later than kLateSend.
bool SentLate(const Observations& seen);

// Our sends came late, or the subject hardly got the processor: what failed may have failed for
// that.
bool TimingFailed(const Observations& seen);

// Neither was the case in the least, as far as can be told.
bool Undisturbed(const Observations& seen);

// Pieces that were to come apart, for that is what is tried, came nearer together by a fifth or
// more: what holds then was not tried.
bool GapsLost(const TrialResult& run);

}  // namespace trial
