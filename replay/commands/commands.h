// The commands of `bytetrial`, one file each; see capture/commands/commands.h.
#pragma once

#include "capture/commands/command.h"

namespace CLI {
class App;
}

namespace trial {

using witness::Outcome;

// One line a command, in the order of --help.
void AddRun(CLI::App& app, Outcome& outcome);
void AddPart(CLI::App& app, Outcome& outcome);
void AddPlay(CLI::App& app, Outcome& outcome);
void AddMerge(CLI::App& app, Outcome& outcome);

}  // namespace trial
