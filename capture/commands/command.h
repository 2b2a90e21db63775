// What all commands share: exit statuses, error lines, colour.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "capture/base/result.h"

namespace CLI {
class App;
}

namespace witness {

// Exit statuses of both programs; README.md documents them as API.
enum ExitStatus : int {
  kExitDone = 0,
  kExitNo = 1,             // the answer is no: a trial broke, captures differ, a file is damaged
  kExitUsage = 2,          // wrong usage or plan
  kExitWorld = 3,          // port, disk, child
  kExitInterrupted = 130,  // by the person; files closed properly
};

struct Outcome {
  int exit_status = kExitDone;
};

ExitStatus ExitStatusOf(const Status& status);

// Puts "PROGRAM: MESSAGE" on stderr, made safe for a terminal, and returns ExitStatusOf(status).
int Fail(std::string_view program, const Status& status);

// Parses and runs what the person typed; returns the exit status. Wrong usage gets one line on
// stderr that says which command it was and whose --help to read.
int RunProgram(CLI::App& app, int argc, char** argv, const Outcome& outcome);

// kInvalidArgument if `path` is there already and `replace` is false. To be called before a port is
// opened, so that no board is reset in vain.
Status RefuseExisting(const std::string& path, bool replace);

// "1 event", "3 events".
std::string Counted(std::uint64_t n, const char* what);

// Whether colours may be used on standard output: a terminal, and NO_COLOR is not set to anything
// (no-color.org).
bool ColorsWanted();

}  // namespace witness
