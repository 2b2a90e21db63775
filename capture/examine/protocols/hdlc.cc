#include "capture/examine/protocols/hdlc.h"

#include "capture/examine/protocols/checksum.h"

namespace witness::hdlc {
namespace {

constexpr char kFlag = '\x7E', kEscape = '\x7D';

// RFC 1662 appendix C: a good frame, FCS included, leaves these values (not yet inverted).
bool Fcs16Fits(ByteView frame) {
  if (frame.size() < 4) return false;
  static const Checksum* const fcs = FindChecksum("CRC-16/IBM-SDLC");
  return (fcs->Of(frame) ^ 0xffff) == 0xf0b8;
}

bool Fcs32Fits(ByteView frame) {
  if (frame.size() < 6) return false;
  static const Checksum* const fcs = FindChecksum("CRC-32/ISO-HDLC");
  return (fcs->Of(frame) ^ 0xffffffff) == 0xdebb20e3;
}

}  // namespace

std::size_t FrameAt(ByteView bytes) {
  std::size_t start = 0;
  while (start < bytes.size() && bytes[start] == kFlag) ++start;
  const std::size_t end = bytes.find(kFlag, start);
  if (end == ByteView::npos || end == start) return 0;
  const auto data = Decode(bytes.substr(0, end + 1));
  return data && (Fcs16Fits(*data) || Fcs32Fits(*data)) ? end + 1 : 0;
}

std::optional<Bytes> Decode(ByteView frame) {
  Bytes out;
  for (std::size_t i = 0; i < frame.size(); ++i) {
    if (frame[i] == kFlag) continue;
    if (frame[i] != kEscape) {
      out += frame[i];
      continue;
    }
    if (++i == frame.size() || frame[i] == kFlag) return std::nullopt;
    out += static_cast<char>(frame[i] ^ 0x20);
  }
  return out;
}

std::string Describe(ByteView frame) {
  const auto data = Decode(frame);
  if (!data) return "HDLC-like frame";
  const bool wide = !Fcs16Fits(*data) && Fcs32Fits(*data);
  return "HDLC-like frame, FCS-" + std::string(wide ? "32" : "16") + ", " +
         std::to_string(data->size() - (wide ? 4 : 2)) + " bytes";
}

}  // namespace witness::hdlc
