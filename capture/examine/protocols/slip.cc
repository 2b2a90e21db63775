#include "capture/examine/protocols/slip.h"

namespace witness::slip {
namespace {

constexpr char kEnd = '\xC0', kEscape = '\xDB', kEscapedEnd = '\xDC', kEscapedEscape = '\xDD';

}  // namespace

std::size_t PacketAt(ByteView bytes) {
  const std::size_t start = !bytes.empty() && bytes[0] == kEnd ? 1 : 0;
  const std::size_t end = bytes.find(kEnd, start);
  if (end == ByteView::npos || end == start) return 0;
  return Decode(bytes.substr(0, end + 1)) ? end + 1 : 0;
}

std::optional<Bytes> Decode(ByteView packet) {
  Bytes out;
  for (std::size_t i = 0; i < packet.size(); ++i) {
    const char c = packet[i];
    if (c == kEnd) continue;
    if (c != kEscape) {
      out += c;
      continue;
    }
    if (++i == packet.size()) return std::nullopt;
    if (packet[i] == kEscapedEnd)
      out += kEnd;
    else if (packet[i] == kEscapedEscape)
      out += kEscape;
    else
      return std::nullopt;
  }
  return out;
}

std::string Describe(ByteView packet) {
  const auto data = Decode(packet);
  return "SLIP packet of " + std::to_string(data ? data->size() : 0) + " bytes";
}

}  // namespace witness::slip
