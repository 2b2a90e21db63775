#include "capture/examine/protocols/nmea.h"

#include <cctype>

namespace witness::nmea {

std::size_t SentenceAt(ByteView bytes) {
  if (bytes.size() < 9 || (bytes[0] != '$' && bytes[0] != '!')) return 0;
  const ByteView head = bytes.substr(0, 82);
  const std::size_t end = head.find("\r\n");
  if (end == ByteView::npos || end < 6 || head[end - 3] != '*') return 0;
  unsigned sum = 0;
  for (const char c : head.substr(1, end - 4)) {
    if (static_cast<unsigned char>(c) < 0x20 || static_cast<unsigned char>(c) > 0x7e) return 0;
    sum ^= static_cast<unsigned char>(c);
  }
  const auto digit = [](char c) {
    if (c >= '0' && c <= '9') return c - '0';
    if (c >= 'A' && c <= 'F') return c - 'A' + 10;
    if (c >= 'a' && c <= 'f') return c - 'a' + 10;
    return 256;
  };
  if (digit(head[end - 2]) * 16 + digit(head[end - 1]) != static_cast<int>(sum)) return 0;
  return end + 2;
}

bool ComesByItself(ByteView sentence, ByteView command) {
  const std::size_t comma = sentence.find_first_of(",*");
  if (comma != 6 || sentence[1] == 'P') return false;
  return command.find(sentence.substr(3, 3)) == ByteView::npos;
}

std::string Describe(ByteView sentence) {
  const std::size_t comma = sentence.find_first_of(",*");
  const ByteView address = sentence.substr(1, comma == ByteView::npos ? 0 : comma - 1);
  if (!address.empty() && address[0] == 'P') return "NMEA 0183 proprietary " + Bytes(address);
  if (address.size() == 5)
    return "NMEA 0183 " + Bytes(address.substr(2)) + " from " + Bytes(address.substr(0, 2));
  return "NMEA 0183 " + Bytes(address);
}

}  // namespace witness::nmea
