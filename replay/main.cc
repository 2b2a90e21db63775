// bytetrial: arguments to calls.
#include <CLI/CLI.hpp>

#include "capture/base/version.h"
#include "replay/commands/commands.h"

int main(int argc, char** argv) {
  CLI::App app{
      "Puts firmware and scripts on trial against the recorded replies of serial modules."};
  app.name("bytetrial");
  app.set_version_flag("--version", std::string("bytetrial ") + witness::kToolVersion +
                                        " (capture format " +
                                        std::to_string(witness::kFormatMajor) + "." +
                                        std::to_string(witness::kFormatMinor) + ")");
  app.require_subcommand(1);
  witness::Outcome outcome;
  trial::AddRun(app, outcome);
  trial::AddPart(app, outcome);
  trial::AddPlay(app, outcome);
  trial::AddMerge(app, outcome);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? witness::kExitDone : witness::kExitUsage;
  }
  return outcome.exit_status;
}
