// What all commands share: exit statuses, error lines, colour.
#pragma once

#include <string>
#include <string_view>

#include "capture/base/result.h"

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

}  // namespace witness
