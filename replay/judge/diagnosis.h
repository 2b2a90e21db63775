// Turns what was seen into words about what the subject does wrong. Rules look at evidence only;
// where none fits, nothing is said.
#pragma once

#include <vector>

#include "replay/judge/judge.h"
#include "replay/judge/trials.h"

namespace trial {

// For one trial. `others`: the other results of the same session, in which a rule may look for what
// tells two causes apart.
std::vector<Diagnosis> Diagnose(const TrialResult& baseline, const TrialResult& trial,
                                const std::vector<TrialResult>& others, const Judge& judge);

// Combinations not among `others` that would tell a cause of `trial` from another; run them, then
// ask again.
std::vector<Combination> WantedBesides(const TrialResult& trial,
                                       const std::vector<TrialResult>& others);

// For a baseline that is no contest: why the replies as recorded do not suit it.
std::vector<Diagnosis> DiagnoseBaseline(const TrialResult& baseline, const Part& part);

}  // namespace trial
