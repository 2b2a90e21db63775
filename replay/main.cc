// bytetrial: arguments to calls.
#include <CLI/CLI.hpp>

#include "replay/commands/commands.h"

int main(int argc, char** argv) {
  CLI::App app{
      "Puts firmware and scripts on trial against the recorded replies of serial modules."};
  app.name("bytetrial");
  witness::Outcome outcome;
  trial::AddRun(app, outcome);
  trial::AddPart(app, outcome);
  trial::AddPlay(app, outcome);
  trial::AddMerge(app, outcome);
  return witness::RunProgram(app, argc, argv, outcome);
}
