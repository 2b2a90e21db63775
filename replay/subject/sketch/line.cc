#include "replay/subject/sketch/line.h"

namespace trial {

const char* FateWord(Fate fate) {
  switch (fate) {
    case Fate::kUnknown:
      return "not known";
    case Fate::kTaken:
      return "taken";
    case Fate::kGarbled:
      return "taken as another value";
    case Fate::kReceiverOff:
      return "lost: the receiver was off";
    case Fate::kOverrun:
      return "lost: overrun in the UART";
    case Fate::kBufferFull:
      return "lost: the receive buffer was full";
    case Fate::kNotListening:
      return "lost: the software port was not listening";
    case Fate::kMissed:
      return "lost: the software port was busy";
    case Fate::kFramingError:
      return "framing error";
  }
  return "not known";
}

}  // namespace trial
