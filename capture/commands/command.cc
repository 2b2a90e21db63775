#include "capture/commands/command.h"

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <sstream>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/commands/terminal_columns.h"

namespace witness {
namespace {

// Where CLI11 puts what an option means.
constexpr std::size_t kHelpColumn = 30;

// Help with what options mean broken between words, for a terminal of so many columns. Examples
// stay whole, so that they can be copied.
std::string BrokenForTerminal(const std::string& help, std::size_t columns) {
  if (columns < kHelpColumn + 20) return help;
  std::string out;
  std::istringstream lines(help);
  for (std::string line; std::getline(lines, line); out += line + "\n") {
    const bool explains = line.starts_with("  ") && line.size() > columns &&
                          line[kHelpColumn - 1] == ' ' && line[kHelpColumn] != ' ';
    while (explains && line.size() > columns) {
      const std::size_t space = line.rfind(' ', columns);
      if (space == line.npos || space < kHelpColumn) break;
      out += line.substr(0, space) + "\n";
      line = std::string(kHelpColumn, ' ') + line.substr(space + 1);
    }
  }
  return out;
}

}  // namespace

ExitStatus ExitStatusOf(const Status& status) {
  switch (status.code()) {
    case Code::kOk:
      return kExitDone;
    case Code::kInvalidArgument:
      return kExitUsage;
    case Code::kDamaged:
      return kExitNo;
    case Code::kInterrupted:
      return kExitInterrupted;
    case Code::kNotFound:
    case Code::kUnsupported:
    case Code::kDisconnected:
    case Code::kIo:
      break;
  }
  return kExitWorld;
}

int Fail(std::string_view program, const Status& status) {
  const std::string line = std::string(program) + ": " + SafeName(status.message()) + "\n";
  std::fputs(line.c_str(), stderr);
  return ExitStatusOf(status);
}

int RunProgram(CLI::App& app, int argc, char** argv, const Outcome& outcome) {
  app.set_version_flag("--version", app.get_name() + " " + kToolVersion + " (capture format " +
                                        std::to_string(kFormatMajor) + "." +
                                        std::to_string(kFormatMinor) + ")");
  app.require_subcommand(1);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    if (e.get_name() == "CallForHelp") {
      std::fputs(BrokenForTerminal(app.help(), TerminalColumns(STDOUT_FILENO)).c_str(), stdout);
      return kExitDone;
    }
    if (e.get_exit_code() == 0) return app.exit(e);  // --help and --version
    std::string command = app.get_name();
    for (const CLI::App* chosen : app.get_subcommands()) command += " " + chosen->get_name();
    std::fprintf(stderr, "%s: %s; see %s --help\n", command.c_str(), SafeName(e.what()).c_str(),
                 command.c_str());
    return kExitUsage;
  }
  return outcome.exit_status;
}

Status RefuseExisting(const std::string& path, bool replace) {
  std::error_code error;
  if (replace || !std::filesystem::exists(path, error)) return OkStatus();
  return Status(Code::kInvalidArgument,
                path + ": exists already; name another file or give --replace");
}

std::string Counted(std::uint64_t n, const char* what) {
  return std::to_string(n) + " " + what + (n == 1 ? "" : "s");
}

bool ColorsWanted() {
  const char* no_colour = std::getenv("NO_COLOR");
  return isatty(STDOUT_FILENO) == 1 && (no_colour == nullptr || *no_colour == 0);
}

}  // namespace witness
