// bytewitness compact: captures rewritten in large frames.
#include <sys/stat.h>

#include <CLI/CLI.hpp>
#include <cstdio>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/store/compact.h"

namespace witness {
namespace {

std::uint64_t SizeOf(const std::string& path) {
  struct stat facts {};
  return ::stat(path.c_str(), &facts) == 0 ? static_cast<std::uint64_t>(facts.st_size) : 0;
}

int Run(const std::vector<std::string>& files, bool best) {
  int worst = kExitDone;
  for (const std::string& path : files) {
    const std::uint64_t before = SizeOf(path);
    const Status status = CompactFile(path, best ? PackSettings::Best() : PackSettings::Everyday());
    if (!status.ok()) {
      worst = std::max(worst, Fail("bytewitness compact", status));
      continue;
    }
    const std::string line =
        SafeName(path) + ": " + FormatSize(before) + ", now " + FormatSize(SizeOf(path));
    std::puts(line.c_str());
  }
  return worst;
}

}  // namespace

void AddCompact(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "compact", "Rewrites captures in large frames: the same events in less room, with an index");
  auto files = std::make_shared<std::vector<std::string>>();
  auto best = std::make_shared<bool>(false);
  command->add_option("FILE", *files, "Captures to compact")->required();
  command->add_flag("--best", *best, "As small as it gets, for the archive; slow to write");
  command->footer(
      "The new file is read back and compared before it takes the old one's place.\n"
      "Example: bytewitness compact --best talk.witness");
  command->callback([=, &outcome] { outcome.exit_status = Run(*files, *best); });
}

}  // namespace witness
