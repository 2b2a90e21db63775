#include "capture/examine/protocols/nmea.h"

#include <cstdint>
#include <cstring>

#include "capture/examine/lines_of.h"

namespace witness::nmea {
namespace {

// All bytes combined by exclusive or, eight at a time.
unsigned XorOf(ByteView bytes) {
  std::uint64_t sum = 0, word = 0;
  std::size_t at = 0;
  for (; at + sizeof word <= bytes.size(); at += sizeof word) {
    std::memcpy(&word, bytes.data() + at, sizeof word);
    sum ^= word;
  }
  for (; at < bytes.size(); ++at) sum ^= static_cast<unsigned char>(bytes[at]);
  for (int bits = 32; bits >= 8; bits /= 2) sum ^= sum >> bits;
  return static_cast<unsigned>(sum & 0xff);
}

}  // namespace

std::size_t SentenceAt(ByteView bytes) {
  if (bytes.size() < 9 || (bytes[0] != '$' && bytes[0] != '!')) return 0;
  const ByteView head = bytes.substr(0, 82);
  const std::size_t end = CountPrintable(head);
  if (end < 6 || head.substr(end, 2) != "\r\n" || head[end - 3] != '*') return 0;
  const ByteView summed = head.substr(1, end - 4);
  const unsigned sum = XorOf(summed);
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
