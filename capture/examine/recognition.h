// What protocol a segment was recognised as. The words for it are made when somebody asks.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "capture/base/instant.h"

namespace witness {

struct Segment;

enum class Protocol : std::uint8_t {
  kNone = 0,
  kV250 = 1,  // spoken on this line; the segment may still be none of it
  kModbusRtu = 2,
  kModbusAscii = 3,
  kNmea = 4,
  kSlip = 5,
  kHdlc = 6,
  kOfPerson = 7,  // a framing that a person described
};

struct Recognition {
  Protocol protocol = Protocol::kNone;
  // Of a frame of Modbus RTU with a pause inside that the standard does not allow: of the line.
  Duration character_time;
  std::shared_ptr<const std::string> name;  // of a person's framing
};

// "V.250 information text", "Modbus RTU read holding registers, request to 17"; empty if it is none
// of those.
std::string ProtocolOf(const Segment& segment);
// Whether ProtocolOf() has words for it.
bool IsRecognised(const Segment& segment);

// The longest that the line was idle within it.
Duration LongestPauseIn(const Segment& segment, Duration character_time);

}  // namespace witness
