// What `bytetrial run` leaves behind: conversations, saved plans, the line that runs it again. Only
// for run*.cc.
#pragma once

#include <string>

#include "replay/commands/run_setup.h"
#include "replay/judge/trials.h"

namespace trial {

// The command line that runs one combination again.
std::string Reproduce(const RunOptions& options, const Subject& subject,
                      const Combination& combination);

// What broke, as plans and captures in the folder that the person named (plans else here).
witness::Status KeepAll(RunOptions& options, TrialsOutcome& outcome);

}  // namespace trial
