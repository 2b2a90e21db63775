#include "capture/examine/protocols/v250.h"

#include <array>
#include <cctype>
#include <string_view>

#include "capture/examine/lines_of.h"

namespace witness::v250 {
namespace {

// V.250 table 1 (codes 0 to 8; 5 is not assigned there).
constexpr std::array<const char*, 9> kNumeric = {
    "OK", "CONNECT", "RING", "NO CARRIER", "ERROR", nullptr, "NO DIALTONE", "BUSY", "NO ANSWER"};

bool StartsWith(ByteView text, ByteView head) { return text.substr(0, head.size()) == head; }

}  // namespace

bool IsFinalResultCode(ByteView line) {
  static constexpr ByteView kFirst = "OENBC+";
  if (line.size() < 2 || kFirst.find(line[0]) == ByteView::npos) return false;
  if (line == "OK" || line == "ERROR" || line == "NO CARRIER" || line == "NO DIALTONE" ||
      line == "BUSY" || line == "NO ANSWER" || line == "CONNECT")
    return true;
  if (StartsWith(line, "CONNECT ")) return true;  // CONNECT <text>
  if (line.size() > 7 && line.front() == '+') {   // +CME ERROR: 10
    const std::size_t at = line.find(" ERROR");
    return at != ByteView::npos && at >= 2 && line.find(' ') == at &&
           (at + 6 == line.size() || line[at + 6] == ':');
  }
  return false;
}

const char* NumericResultCode(ByteView bytes) {
  if (bytes.size() != 2 || bytes[1] != '\r' || bytes[0] < '0' || bytes[0] > '8') return nullptr;
  return kNumeric[static_cast<std::size_t>(bytes[0] - '0')];
}

bool IsCommandLine(ByteView bytes) {
  const ByteView line = Stripped(bytes);
  if (line.size() < 2 || (line[0] != 'A' && line[0] != 'a')) return false;
  return !Describe(bytes, /*from_host=*/true).empty();
}

std::string Describe(ByteView bytes, bool from_host) {
  if (from_host) {
    const ByteView line = Stripped(bytes);
    if (line == "A/" || line == "a/") return "V.250 repeat of the last command line";
    // 5.2.1: "AT" or "at"; mixed case is not a prefix.
    if (StartsWith(line, "AT") || StartsWith(line, "at")) {
      if (line.size() == 2) return "V.250 command line, empty";
      if (line[2] == '+') {
        if (line.back() == '?')
          return line.size() > 4 && line[line.size() - 2] == '=' ? "V.250 extended test command"
                                                                 : "V.250 extended read command";
        return line.find('=') != ByteView::npos ? "V.250 extended set command"
                                                : "V.250 extended action command";
      }
      const auto c = static_cast<unsigned char>(line[2]);
      if (std::isalpha(c) != 0 || c == '&' || c == '\\' || c == '%' || c == '*' || c == '#' ||
          c == '$' || c == '^')
        return "V.250 command line";
    }
    return "";
  }
  if (const char* name = NumericResultCode(bytes))
    return std::string("V.250 numeric result code ") + name;
  if (!IsText(bytes)) return "";
  // 5.7.1, with V0: information text ends with CR LF, the code behind it with CR alone.
  if (bytes.size() > 4 && bytes.substr(bytes.size() - 4, 2) == "\r\n")
    if (const char* name = NumericResultCode(bytes.substr(bytes.size() - 2)))
      return std::string("V.250 information text, numeric result code ") + name;
  const ByteView last = LastLine(bytes);
  if (last == "RING") return "V.250 result code RING";
  if (IsFinalResultCode(last)) {
    const std::string code(last.substr(0, 24));
    return CountLines(bytes) > 1 ? "V.250 information text, result code " + code
                                 : "V.250 result code " + code;
  }
  if (last.size() > 2 && last.front() == '+' && last.find(':') != ByteView::npos)
    return "V.250 extended information text";
  return "";
}

}  // namespace witness::v250
