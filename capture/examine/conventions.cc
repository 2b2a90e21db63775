#include "capture/examine/conventions.h"

#include <algorithm>

#include "capture/examine/lines_of.h"

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

bool Conventions::HasUnaskedHead(ByteView line) const {
  if (unasked_heads.empty() || line.empty()) return false;
  const Bytes sort = SortOf(line);
  return std::any_of(unasked_heads.begin(), unasked_heads.end(), [&](const Bytes& head) {
    return head.size() == 1 ? head[0] == line[0] : head == sort;
  });
}

}  // namespace witness
