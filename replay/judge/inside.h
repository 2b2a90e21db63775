// What the observers inside an emulated board have remarked, as reasons: which remarks mean that
// the subject did not get what it was told, and what fault they name. Pure.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "replay/judge/verdict.h"
#include "replay/subject/observations.h"

namespace trial {

// The remark of the largest loss of a reply's bytes; null if all replies came through.
const Remark* LostReply(const Observations& seen);

// Every fault that the remarks name, strongest first; "wait", "unread" and "unheard" are none by
// themselves.
std::vector<Diagnosis> Faults(const Observations& seen);

// What the inside shows of a trial that did not hold: the first fault among the remarks that the
// baseline does not have, if it came before the first difference.
std::optional<Diagnosis> InsideFault(const Observations& baseline, const Observations& trial,
                                     const std::optional<Divergence>& divergence);

// Remarks that the baseline does not have, for reports: at most `most`, and how many more.
std::vector<std::string> FreshRemarks(const Observations& baseline, const Observations& trial,
                                      std::size_t most);

// What a person should know of a baseline that held all the same: a reply that it never read, line
// endings that came to it as other bytes.
std::vector<std::string> BaselineNotes(const Observations& baseline);

// What a program used or left behind, in words: processes, the processor's time, bytes that it did
// not read. Leaves out what `baseline` did too.
std::vector<std::string> ResourceNotes(const Observations& baseline, const Observations& trial);

// Spends the processor's time while it waits: most of the run was spent on a processor or in the
// queue for one (a busy machine), a fifth of it at least on one. Never true in virtual time.
bool SpinsWhileItWaits(const Observations& seen);

// Adds to a diagnosis of another origin what the inside shows of the same thing: where the subject
// waited, what lay unread.
void AddInsideEvidence(const Observations& baseline, const Observations& trial,
                       Diagnosis& diagnosis);

}  // namespace trial
