#include "capture/examine/conventions.h"

namespace witness {

const char* FramingName(Framing framing) {
  switch (framing) {
    case Framing::kNone:
      break;
    case Framing::kModbusRtu:
      return "Modbus RTU";
    case Framing::kModbusAscii:
      return "Modbus ASCII";
    case Framing::kNmea:
      return "NMEA 0183";
    case Framing::kSlip:
      return "SLIP";
    case Framing::kHdlc:
      return "HDLC-like framing";
  }
  return "";
}

}  // namespace witness
