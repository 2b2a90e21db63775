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

// Of a baseline that held, what may be wrong with the endings of its commands all the same: it ends
// them with CR or LF, and the module takes a command after a silence, whatever stands in it (only
// the part leaves line endings out); or it has an LF behind the CR that the module waits for.
std::optional<Diagnosis> NotesCommandEnding(const TrialResult& baseline, const Part& part);

// Not known, and would be without the rest of a line ending that stands in front of it.
bool SpoiltByEnding(const Part& part, const TakenCommand& command);

// The replies as recorded cost a subject a read timeout each, as trials show in which they have
// another line ending and it goes on at once. `trials` have their verdicts.
std::optional<Diagnosis> WaitsAsRecorded(const TrialResult& baseline,
                                         const std::vector<TrialResult>& trials,
                                         const Judge& judge);

}  // namespace trial
