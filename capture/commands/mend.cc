// bytewitness mend: all that is intact of a damaged or cut capture, in a new file.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/store/mend.h"

namespace witness {
namespace {

int Run(const std::string& file, const std::string& out) {
  const auto report = MendFile(file, out);
  if (!report.ok()) return Fail("bytewitness mend", report.status());
  std::string line = SafeName(out) + ": " + Counted(report->events, "event") + " kept, ";
  if (report->gaps == 0) {
    line += "nothing was missing";
  } else {
    line += Counted(report->gaps, "gap") + " marked";
    if (report->events_lost > 0) {
      line += ", " + Counted(report->events_lost, "event") + " lost";
    }
  }
  std::puts(line.c_str());
  if (!report->source.what.empty()) std::puts(("    " + SafeName(report->source.what)).c_str());
  return kExitDone;
}

}  // namespace

void AddMend(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "mend", "Writes all that is provably intact of a damaged or cut capture into a new file");
  auto file = std::make_shared<std::string>();
  auto out = std::make_shared<std::string>();
  command->add_option("FILE", *file, "Capture to mend; it is only read")->required();
  command->add_option("-o,--out", *out, "New capture file")->required();
  command->footer(
      "What is missing is marked by gaps in the new file.\n"
      "Example: bytewitness mend talk.witness -o mended.witness");
  command->callback([=, &outcome] { outcome.exit_status = Run(*file, *out); });
}

}  // namespace witness
