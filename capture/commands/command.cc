#include "capture/commands/command.h"

#include <cstdio>

#include "capture/base/text.h"

namespace witness {

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

}  // namespace witness
