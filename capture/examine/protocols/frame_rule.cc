#include "capture/examine/protocols/frame_rule.h"

#include <algorithm>

#include "capture/examine/protocols/checksum.h"

namespace witness {
namespace {

// Escapes undone in what stands between start and end mark; nothing if an escape stands last.
std::optional<Bytes> Unescaped(const FrameRule& rule, ByteView frame) {
  if (!rule.escape) return Bytes(frame);
  Bytes out;
  for (std::size_t i = 0; i < frame.size(); ++i) {
    if (static_cast<std::uint8_t>(frame[i]) != *rule.escape) {
      out += frame[i];
      continue;
    }
    if (++i == frame.size()) return std::nullopt;
    out += static_cast<char>(static_cast<std::uint8_t>(frame[i]) ^ rule.escape_xor);
  }
  return out;
}

bool CheckFits(const FrameRule& rule, ByteView frame) {
  if (!rule.check) return true;
  const Checksum* checksum = FindChecksum(rule.check->name);
  const auto plain = Unescaped(rule, frame);
  if (checksum == nullptr || !plain) return false;
  const auto size = static_cast<std::size_t>(checksum->bytes);
  const std::size_t tail = size + rule.check->behind;
  if (plain->size() < tail + rule.check->from) return false;
  const ByteView all = *plain;
  const std::size_t at = all.size() - tail;
  return checksum->Of(all.substr(rule.check->from, at - rule.check->from)) ==
         NumberFrom(all.substr(at, size), rule.check->big_endian);
}

}  // namespace

Status CheckRule(const FrameRule& rule) {
  if (rule.end.empty() && rule.fixed_size == 0 && !rule.length)
    return Status(Code::kInvalidArgument, "a framing needs an end, a fixed size or a length field");
  if (rule.fixed_size > 0 && rule.check && rule.check->from + rule.check->behind >= rule.fixed_size)
    return Status(Code::kInvalidArgument, "a frame of " + std::to_string(rule.fixed_size) +
                                              " bytes has no room for a checksum over bytes from " +
                                              std::to_string(rule.check->from) + " on");
  if (rule.length && (rule.length->size < 1 || rule.length->size > 4))
    return Status(Code::kInvalidArgument, "a length field has 1 to 4 bytes");
  if (rule.check && FindChecksum(rule.check->name) == nullptr)
    return Status(Code::kInvalidArgument, "there is no checksum \"" + rule.check->name +
                                              "\"; `bytewitness guess-checksum --list` names them");
  return OkStatus();
}

std::size_t FrameAt(const FrameRule& rule, ByteView bytes) {
  if (bytes.substr(0, rule.start.size()) != rule.start) return 0;
  bytes = bytes.substr(0, rule.longest);
  std::size_t size = rule.fixed_size;
  if (rule.length) {
    const FrameRule::LengthField& field = *rule.length;
    if (field.offset + field.size > bytes.size()) return 0;
    const auto value = static_cast<std::int64_t>(
        NumberFrom(bytes.substr(field.offset, field.size), field.big_endian));
    const std::int64_t whole = value + field.adds;
    if (whole <= 0) return 0;
    size = static_cast<std::size_t>(whole);
  } else if (size == 0) {
    for (std::size_t i = rule.start.size(); i + rule.end.size() <= bytes.size(); ++i) {
      if (rule.escape && static_cast<std::uint8_t>(bytes[i]) == *rule.escape) {
        ++i;
        continue;
      }
      if (bytes.substr(i, rule.end.size()) != rule.end) continue;
      size = i + rule.end.size();
      break;
    }
  }
  if (size == 0 || size > bytes.size()) return 0;
  const ByteView frame = bytes.substr(0, size);
  if (!rule.end.empty() && !frame.ends_with(rule.end)) return 0;
  return CheckFits(rule, frame) ? size : 0;
}

}  // namespace witness
