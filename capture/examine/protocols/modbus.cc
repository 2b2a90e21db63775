#include "capture/examine/protocols/modbus.h"

#include <cstdint>

#include "capture/examine/protocols/modbus_crc.h"

namespace witness::modbus {
namespace {

constexpr std::size_t kLongest = 256;  // Modbus over Serial Line V1.02, 2.5.1.1

unsigned At(ByteView bytes, std::size_t i) { return static_cast<unsigned char>(bytes[i]); }

// The shortest beginning of `bytes`, of `least` bytes or more, whose CRC fits; 0: none.
std::size_t ShortestThatFits(ByteView bytes, std::size_t least) {
  bytes = bytes.substr(0, kLongest);
  unsigned crc = kCrcStart;
  for (std::size_t n = 0; n + 2 <= bytes.size(); ++n) {  // `crc` is of the first n
    if (n + 2 >= least && crc == (At(bytes, n) | (At(bytes, n + 1) << 8))) {
      // The CRC fits one byte before an ending 00, too.
      const bool zero_ends = n + 3 == bytes.size() && bytes[n + 2] == '\0';
      return zero_ends ? n + 3 : n + 2;
    }
    crc = AddToCrc(crc, bytes[n]);
  }
  return 0;
}

// Lengths that requests and responses of the functions have (MODBUS Application Protocol V1.1b3
// clause 6), address and CRC included; 0: cannot be told.
std::size_t RequestLength(ByteView b) {
  const unsigned function = At(b, 1);
  if (function >= 1 && function <= 6) return 8;
  if (function == 15 || function == 16) return b.size() > 6 ? 9 + At(b, 6) : 0;
  if (function == 7 || function == 11 || function == 12 || function == 17) return 4;
  if (function == 8) return 8;
  if (function == 22) return 10;
  if (function == 23) return b.size() > 10 ? 13 + At(b, 10) : 0;
  if (function == 24) return 6;
  return 0;
}

inline std::size_t ResponseLength(ByteView b) {
  const unsigned function = At(b, 1);
  if ((function & 0x80) != 0) return 5;
  if ((function >= 1 && function <= 4) || function == 17 || function == 23)
    return b.size() > 2 ? 5 + At(b, 2) : 0;
  if (function == 5 || function == 6 || function == 15 || function == 16 || function == 8) return 8;
  if (function == 7) return 5;
  if (function == 11) return 8;
  if (function == 22) return 10;
  return 0;
}

const char* FunctionName(unsigned function) {
  switch (function & 0x7f) {
    case 1:
      return "read coils";
    case 2:
      return "read discrete inputs";
    case 3:
      return "read holding registers";
    case 4:
      return "read input registers";
    case 5:
      return "write single coil";
    case 6:
      return "write single register";
    case 7:
      return "read exception status";
    case 8:
      return "diagnostics";
    case 11:
      return "get comm event counter";
    case 12:
      return "get comm event log";
    case 15:
      return "write multiple coils";
    case 16:
      return "write multiple registers";
    case 17:
      return "report server ID";
    case 20:
      return "read file record";
    case 21:
      return "write file record";
    case 22:
      return "mask write register";
    case 23:
      return "read/write multiple registers";
    case 24:
      return "read FIFO queue";
    case 43:
      return "encapsulated interface transport";
    default:
      return nullptr;
  }
}

// Clause 7, "MODBUS Exception Responses".
const char* ExceptionName(unsigned code) {
  switch (code) {
    case 1:
      return "illegal function";
    case 2:
      return "illegal data address";
    case 3:
      return "illegal data value";
    case 4:
      return "server device failure";
    case 5:
      return "acknowledge";
    case 6:
      return "server device busy";
    case 8:
      return "memory parity error";
    case 10:
      return "gateway path unavailable";
    case 11:
      return "gateway target device failed to respond";
    default:
      return "unknown exception";
  }
}

std::string Describe(const char* variant, unsigned address, unsigned function, unsigned third,
                     Role role) {
  std::string out = std::string("Modbus ") + variant + " ";
  if (const char* name = FunctionName(function))
    out += name;
  else
    out += "function " + std::to_string(function & 0x7f);
  const std::string who = std::to_string(address);
  if ((function & 0x80) != 0) return out + ", exception from " + who + ": " + ExceptionName(third);
  if (role == Role::kRequest)
    return out + (address == 0 ? ", request to all" : ", request to " + who);
  if (role == Role::kResponse) return out + ", response from " + who;
  return out + ", address " + who;
}

int HexDigit(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  return -1;
}

Bytes FromAscii(ByteView digits) {
  Bytes out;
  for (std::size_t i = 0; i + 1 < digits.size(); i += 2)
    out += static_cast<char>(HexDigit(digits[i]) * 16 + HexDigit(digits[i + 1]));
  return out;
}

}  // namespace

namespace {

// Characters of 10 bits at least: shorter ones are of more than 19200 baud.
bool AboveUsualRates(Duration character_time) {
  return character_time < Duration::Microseconds(520);
}

}  // namespace

Duration FrameSilence(Duration character_time) {
  if (character_time <= Duration::Zero()) return Duration::Zero();
  return AboveUsualRates(character_time) ? Duration::Microseconds(1750) : character_time * 7 / 2;
}

Duration CharacterPause(Duration character_time) {
  if (character_time <= Duration::Zero()) return Duration::Zero();
  return AboveUsualRates(character_time) ? Duration::Microseconds(750) : character_time * 3 / 2;
}

std::size_t RtuFrameAt(ByteView bytes) {
  if (bytes.size() < 4 || At(bytes, 0) > 247 || (At(bytes, 1) & 0x7f) == 0) return 0;
  std::size_t found = 0;
  for (const std::size_t length : {RequestLength(bytes), ResponseLength(bytes)}) {
    // Where a frame ends with 00, the CRC fits one byte earlier, too: the longer one is meant.
    if (length < 4 || length > bytes.size() || length <= found) continue;
    if (CrcFits(bytes.substr(0, length))) found = length;
  }
  if (found > 0) return found;
  const unsigned function = At(bytes, 1) & 0x7f;
  if (function < 20) return 0;
  // Those whose length their data tell, and those that anybody may define (V1.1b3 clause 5:
  // 65 to 72 and 100 to 110).
  const bool open = (function >= 65 && function <= 72) || (function >= 100 && function <= 110);
  return open || FunctionName(function) != nullptr ? ShortestThatFits(bytes, 4) : 0;
}

bool IsRtuFrame(ByteView bytes) {
  if (bytes.size() < 4) return false;
  // What fits is taken for as long as can be.
  const bool usual =
      At(bytes, 0) <= 247 && (At(bytes, 1) & 0x7f) != 0 &&
      (ResponseLength(bytes) == bytes.size() || RequestLength(bytes) == bytes.size());
  return (usual && CrcFits(bytes)) || RtuFrameAt(bytes) == bytes.size();
}

std::size_t AsciiFrameAt(ByteView bytes) {
  if (bytes.size() < 9 || bytes[0] != ':') return 0;
  const std::size_t end = bytes.substr(0, 516).find("\r\n");
  if (end == ByteView::npos || end < 7 || end % 2 == 0) return 0;
  for (std::size_t i = 1; i < end; ++i)
    if (HexDigit(bytes[i]) < 0) return 0;
  unsigned sum = 0;
  for (const char c : FromAscii(bytes.substr(1, end - 1))) sum += static_cast<unsigned char>(c);
  return (sum & 0xff) == 0 ? end + 2 : 0;
}

Role RtuRole(ByteView frame) {
  const bool request = RequestLength(frame) == frame.size();
  const bool response = ResponseLength(frame) == frame.size();
  if (request == response) return Role::kUnknown;
  return request ? Role::kRequest : Role::kResponse;
}

std::string DescribeRtu(ByteView frame, Role role) {
  if (role == Role::kUnknown) role = RtuRole(frame);
  return Describe("RTU", At(frame, 0), At(frame, 1), At(frame, 2), role);
}

std::string DescribeAscii(ByteView frame, Role role) {
  const Bytes data = FromAscii(frame.substr(1, frame.size() - 3));
  if (data.size() < 3) return "Modbus ASCII";
  return Describe("ASCII", At(data, 0), At(data, 1), At(data, 2), role);
}

Bytes AsciiAsRtu(ByteView frame) {
  return FromAscii(frame.substr(1, frame.size() - 3)) + '\0';  // LRC is one byte, CRC two
}

bool Answers(ByteView request, ByteView response) {
  if (request.size() < 4 || response.size() < 4 || request[0] != response[0] ||
      At(request, 1) != (At(response, 1) & 0x7f))
    return false;
  const unsigned function = At(response, 1);
  const std::size_t quantity = request.size() >= 6 ? At(request, 4) * 256 + At(request, 5) : 0;
  switch (function) {  // V1.1b3 clause 6
    case 1:
    case 2:
      return At(response, 2) == (quantity + 7) / 8;
    case 3:
    case 4:
    case 23:
      return At(response, 2) == quantity * 2;
    case 5:
    case 6:
      return request == response;
    case 15:
    case 16:
      return request.substr(0, 6) == response.substr(0, 6);
    default:
      return true;
  }
}

}  // namespace witness::modbus
