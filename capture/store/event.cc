#include "capture/store/event.h"

namespace witness {

const char* SideName(Side side) {
  switch (side) {
    case Side::kHost:
      return "host";
    case Side::kModule:
      return "module";
    case Side::kUnknown:
      break;
  }
  return "unknown";
}

}  // namespace witness
