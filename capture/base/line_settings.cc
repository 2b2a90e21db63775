#include "capture/base/line_settings.h"

#include <cctype>

namespace witness {

std::string FormatLineSettings(const LineSettings& s) {
  static constexpr char kLetters[] = {'N', 'O', 'E', 'M', 'S'};
  std::string out = s.baud == 0 ? "no rate" : std::to_string(s.baud);
  out += ' ';
  out += static_cast<char>('0' + s.data_bits);
  out += kLetters[static_cast<int>(s.parity)];
  out += s.stop_bits == StopBits::kOne ? '1' : '2';
  if (s.flow == FlowControl::kRtsCts) out += " RTS/CTS";
  if (s.flow == FlowControl::kXonXoff) out += " XON/XOFF";
  return out;
}

Status ParseFormat(std::string_view text, LineSettings& settings) {
  const auto bad = [&] {
    return Status(Code::kInvalidArgument,
                  "character format '" + std::string(text) + "' is not like 8N1, 7E1 or 8N2");
  };
  if (text.size() != 3) return bad();
  if (text[0] < '5' || text[0] > '8') return bad();
  LineSettings out = settings;
  out.data_bits = static_cast<std::uint8_t>(text[0] - '0');
  switch (std::toupper(static_cast<unsigned char>(text[1]))) {
    case 'N':
      out.parity = Parity::kNone;
      break;
    case 'O':
      out.parity = Parity::kOdd;
      break;
    case 'E':
      out.parity = Parity::kEven;
      break;
    case 'M':
      out.parity = Parity::kMark;
      break;
    case 'S':
      out.parity = Parity::kSpace;
      break;
    default:
      return bad();
  }
  if (text[2] == '1')
    out.stop_bits = StopBits::kOne;
  else if (text[2] == '2')
    out.stop_bits = StopBits::kTwo;
  else
    return bad();
  settings = out;
  return OkStatus();
}

}  // namespace witness
