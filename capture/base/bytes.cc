#include "capture/base/bytes.h"

#include <cstdint>

namespace witness {
namespace {

constexpr char kDigits[] = "0123456789abcdef";

int HexValue(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

}  // namespace

std::string ToHex(ByteView bytes) {
  std::string out;
  out.reserve(bytes.size() * 2);
  for (const char c : bytes) {
    const auto b = static_cast<std::uint8_t>(c);
    out += kDigits[b >> 4];
    out += kDigits[b & 15];
  }
  return out;
}

Result<Bytes> FromHex(std::string_view text) {
  Bytes out;
  out.reserve(text.size() / 2);
  for (std::size_t i = 0; i < text.size();) {
    if (text[i] == ' ' && !out.empty() && i + 1 < text.size() && text[i + 1] != ' ') {
      ++i;
      continue;
    }
    const int high = HexValue(text[i]);
    const int low = i + 1 < text.size() ? HexValue(text[i + 1]) : -1;
    if (high < 0 || low < 0) {
      return Status(Code::kInvalidArgument, "hexadecimal text is wrong at character " +
                                                std::to_string(i + 1) +
                                                " (two digits a byte are expected)");
    }
    out += static_cast<char>(high * 16 + low);
    i += 2;
  }
  return out;
}

Result<Bytes> ParseEscapes(std::string_view text) {
  Bytes out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '\\') {
      out += text[i];
      continue;
    }
    const auto bad = [&](const char* why) {
      return Status(Code::kInvalidArgument,
                    std::string(why) + " at character " + std::to_string(i + 1));
    };
    if (i + 1 == text.size()) return bad("a backslash stands alone (write \\\\ for one)");
    const char c = text[i + 1];
    switch (c) {
      case 'r':
        out += '\r';
        ++i;
        continue;
      case 'n':
        out += '\n';
        ++i;
        continue;
      case 't':
        out += '\t';
        ++i;
        continue;
      case 'a':
        out += '\a';
        ++i;
        continue;
      case 'b':
        out += '\b';
        ++i;
        continue;
      case 'f':
        out += '\f';
        ++i;
        continue;
      case 'v':
        out += '\v';
        ++i;
        continue;
      case 'e':
        out += '\x1b';
        ++i;
        continue;
      case '\\':
      case '"':
      case '\'':
        out += c;
        ++i;
        continue;
      default:
        break;
    }
    if (c == 'x') {
      const int high = i + 2 < text.size() ? HexValue(text[i + 2]) : -1;
      const int low = i + 3 < text.size() ? HexValue(text[i + 3]) : -1;
      if (high < 0 || low < 0) return bad("\\x needs two hexadecimal digits");
      out += static_cast<char>(high * 16 + low);
      i += 3;
      continue;
    }
    if (c >= '0' && c <= '7') {
      int value = 0;
      std::size_t digits = 0;
      while (digits < 3 && i + 1 + digits < text.size() && text[i + 1 + digits] >= '0' &&
             text[i + 1 + digits] <= '7') {
        value = value * 8 + (text[i + 1 + digits] - '0');
        ++digits;
      }
      if (value > 255) return bad("an octal escape is above \\377");
      out += static_cast<char>(value);
      i += digits;
      continue;
    }
    return bad("unknown escape");
  }
  return out;
}

std::string ToEscapes(ByteView bytes) {
  std::string out;
  for (const char c : bytes) {
    const auto b = static_cast<std::uint8_t>(c);
    switch (c) {
      case '\r':
        out += "\\r";
        continue;
      case '\n':
        out += "\\n";
        continue;
      case '\t':
        out += "\\t";
        continue;
      case '\\':
        out += "\\\\";
        continue;
      case '"':
        out += "\\\"";
        continue;
      default:
        break;
    }
    if (b >= 0x20 && b < 0x7f) {
      out += c;
    } else {
      out += "\\x";
      out += kDigits[b >> 4];
      out += kDigits[b & 15];
    }
  }
  return out;
}

}  // namespace witness
