// bytewitness: arguments to calls.
#include <CLI/CLI.hpp>

#include "capture/commands/commands.h"

int main(int argc, char** argv) {
  CLI::App app{"Records, examines and shows what is said on a serial line."};
  app.name("bytewitness");
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
  return witness::RunProgram(app, argc, argv, outcome);
}
