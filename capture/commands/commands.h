// The commands of `bytewitness`, one file each. Every Add... puts one subcommand on `app`; when the
// person chose it, its callback does the work and leaves the exit status in `outcome`.
#pragma once

#include "capture/commands/command.h"

namespace CLI {
class App;
}

namespace witness {

// One line a command, in the order of --help.
void AddPorts(CLI::App& app, Outcome& outcome);
void AddRecord(CLI::App& app, Outcome& outcome);
void AddListen(CLI::App& app, Outcome& outcome);
void AddAsk(CLI::App& app, Outcome& outcome);
void AddTalk(CLI::App& app, Outcome& outcome);
void AddSurvey(CLI::App& app, Outcome& outcome);
void AddAdvise(CLI::App& app, Outcome& outcome);
void AddShow(CLI::App& app, Outcome& outcome);
void AddExamine(CLI::App& app, Outcome& outcome);
void AddExhibit(CLI::App& app, Outcome& outcome);
void AddRedact(CLI::App& app, Outcome& outcome);
void AddImport(CLI::App& app, Outcome& outcome);
void AddExport(CLI::App& app, Outcome& outcome);
void AddVerify(CLI::App& app, Outcome& outcome);
void AddMend(CLI::App& app, Outcome& outcome);
void AddCompact(CLI::App& app, Outcome& outcome);
void AddCompare(CLI::App& app, Outcome& outcome);
void AddFind(CLI::App& app, Outcome& outcome);
void AddGuessChecksum(CLI::App& app, Outcome& outcome);

}  // namespace witness
