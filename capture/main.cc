// bytewitness: arguments to calls.
#include <CLI/CLI.hpp>

#include "capture/base/version.h"
#include "capture/commands/commands.h"

int main(int argc, char** argv) {
  CLI::App app{"Records, examines and shows what is said on a serial line."};
  app.name("bytewitness");
  app.set_version_flag("--version", std::string("bytewitness ") + witness::kToolVersion +
                                        " (capture format " +
                                        std::to_string(witness::kFormatMajor) + "." +
                                        std::to_string(witness::kFormatMinor) + ")");
  app.require_subcommand(1);
  witness::Outcome outcome;
  witness::AddPorts(app, outcome);
  witness::AddRecord(app, outcome);
  witness::AddListen(app, outcome);
  witness::AddAsk(app, outcome);
  witness::AddTalk(app, outcome);
  witness::AddSurvey(app, outcome);
  witness::AddAdvise(app, outcome);
  witness::AddShow(app, outcome);
  witness::AddExamine(app, outcome);
  witness::AddExhibit(app, outcome);
  witness::AddRedact(app, outcome);
  witness::AddImport(app, outcome);
  witness::AddExport(app, outcome);
  witness::AddVerify(app, outcome);
  witness::AddMend(app, outcome);
  witness::AddCompact(app, outcome);
  witness::AddCompare(app, outcome);
  witness::AddFind(app, outcome);
  witness::AddGuessChecksum(app, outcome);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? witness::kExitDone : witness::kExitUsage;
  }
  return outcome.exit_status;
}
