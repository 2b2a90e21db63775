#include "capture/examine/recognition.h"

#include <algorithm>

#include "capture/base/text.h"
#include "capture/examine/protocols/hdlc.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/protocols/nmea.h"
#include "capture/examine/protocols/slip.h"
#include "capture/examine/protocols/v250.h"
#include "capture/examine/segment.h"
#include "capture/examine/tape.h"

namespace witness {
namespace {

modbus::Role RoleOf(const Segment& s) {
  if (s.kind == SegmentKind::kCommand) return modbus::Role::kRequest;
  return s.kind == SegmentKind::kReply ? modbus::Role::kResponse : modbus::Role::kUnknown;
}

std::string RtuWords(const Segment& s) {
  std::string out = modbus::DescribeRtu(s.bytes, RoleOf(s));
  const Duration character_time = s.recognition.character_time;
  if (character_time == Duration::Zero()) return out;
  return out + ", with a pause of " + FormatDuration(LongestPauseIn(s, character_time)) +
         " inside (at most " + FormatDuration(modbus::CharacterPause(character_time)) + ", t1.5)";
}

}  // namespace

std::string ProtocolOf(const Segment& s) {
  switch (s.recognition.protocol) {
    case Protocol::kNone:
      break;
    case Protocol::kV250:
      return v250::Describe(s.bytes, s.side == Side::kHost);
    case Protocol::kModbusRtu:
      return RtuWords(s);
    case Protocol::kModbusAscii:
      return modbus::DescribeAscii(s.bytes, RoleOf(s));
    case Protocol::kNmea:
      return nmea::Describe(s.bytes);
    case Protocol::kSlip:
      return slip::Describe(s.bytes);
    case Protocol::kHdlc:
      return hdlc::Describe(s.bytes);
    case Protocol::kOfPerson:
      return *s.recognition.name;
  }
  return "";
}

bool IsRecognised(const Segment& s) {
  switch (s.recognition.protocol) {
    case Protocol::kNone:
      return false;
    case Protocol::kV250:
    case Protocol::kOfPerson:
      return !ProtocolOf(s).empty();
    default:
      return true;
  }
}

Duration LongestPauseIn(const Segment& segment, Duration character_time) {
  Duration longest;
  for (std::size_t i = 1; i < segment.pieces.size(); ++i)
    longest = std::max(longest, IdleBefore(segment.pieces[i - 1].at, segment.pieces[i].at,
                                           segment.pieces[i].size, character_time));
  return longest;
}

}  // namespace witness
