// Modbus over Serial Line V1.02 (RTU and ASCII) and Modbus Application Protocol V1.1b3 (functions).
#pragma once

#include <cstddef>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"

namespace witness::modbus {

// Size of the RTU frame that `bytes` begin with: address, function, data, CRC low byte first
// (2.5.1). 0: none. A frame of the length that its function asks for is preferred; else the
// shortest whose CRC fits, up to 256 bytes.
std::size_t RtuFrameAt(ByteView bytes);
// Whether that is all of `bytes`.
bool IsRtuFrame(ByteView bytes);

// How long the line must be silent between two RTU frames (t3.5) and may be inside one (t1.5): so
// many character times up to 19200 baud, 1.750 ms and 750 us above (2.5.1.1). Zero: the character
// time is not known.
Duration FrameSilence(Duration character_time);
Duration CharacterPause(Duration character_time);

// Size of the ASCII frame that `bytes` begin with: ':', pairs of hexadecimal digits, LRC, CR LF
// (2.5.2). 0: none.
std::size_t AsciiFrameAt(ByteView bytes);

enum class Role { kUnknown, kRequest, kResponse };

// What an RTU frame can be by its length.
Role RtuRole(ByteView frame);

// "Modbus RTU read holding registers, request to 17". `frame` is a whole frame.
std::string DescribeRtu(ByteView frame, Role role);
std::string DescribeAscii(ByteView frame, Role role);

// An ASCII frame as if it were an RTU one: same bytes, with two in the checksum's place that fit
// nothing. For RtuRole() and Answers().
Bytes AsciiAsRtu(ByteView frame);

// Whether `response` answers `request` (both RTU frames): same address and function.
bool Answers(ByteView request, ByteView response);

}  // namespace witness::modbus
