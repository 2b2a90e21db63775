#include "capture/store/messages.h"

#include <algorithm>

#include "capture/base/version.h"
#include "capture/store/crc32c.h"
#include "capture/store/limits.h"
#include "capture/store/wire.h"
#include "proto/capture.pb.h"

namespace witness {
namespace {

constexpr std::size_t kCrcBytes = 5;  // tag 7D and four bytes
constexpr char kIndexMark[] = "BWINDEX\x01";
constexpr std::size_t kMarkBytes = 8;

void AppendCrc(Bytes& message) {
  const std::uint32_t crc = Crc32c(message);
  message += '\x7D';
  AppendLittle32(message, crc);
}

// Depth of what is within a header.
enum class Within { kHeader, kTap, kLast };

// That a message can be taken apart and holds no more fields than `left`, which is lessened by
// them: an empty message or an unknown field takes two bytes in the file and a hundred when it is
// parsed.
bool HasFewFields(ByteView message, Within within, std::size_t& left) {
  WireCursor cursor(message);
  WireField field;
  while (!cursor.done()) {
    if (left-- == 0 || !NextField(cursor, field)) return false;
    if (field.type != WireType::kBytes) continue;
    const bool tap = within == Within::kHeader && field.number == 8;
    const bool part_of_tap = within == Within::kTap && field.number >= 3 && field.number <= 5;
    if (tap && !HasFewFields(field.bytes, Within::kTap, left)) return false;
    if (part_of_tap && !HasFewFields(field.bytes, Within::kLast, left)) return false;
  }
  return true;
}

Status CheckCrc(ByteView content, const char* name) {
  if (content.size() < kCrcBytes || content[content.size() - kCrcBytes] != '\x7D' ||
      Crc32c(content.substr(0, content.size() - kCrcBytes)) !=
          Little32(content.data() + content.size() - 4)) {
    return Status(Code::kDamaged, std::string("the ") + name + "'s checksum does not agree");
  }
  return OkStatus();
}

void Put(const LineSettings& from, bytewitness::LineSettings* to) {
  to->set_baud(from.baud);
  to->set_data_bits(from.data_bits);
  to->set_parity(static_cast<bytewitness::Parity>(from.parity));
  to->set_stop_bits(from.stop_bits == StopBits::kOne ? 1 : 2);
  to->set_flow(static_cast<bytewitness::FlowControl>(from.flow));
}

LineSettings Get(const bytewitness::LineSettings& from) {
  LineSettings to;
  to.baud = from.baud();
  to.data_bits = static_cast<std::uint8_t>(std::min<std::uint32_t>(from.data_bits(), 9));
  if (from.parity() >= 0 && from.parity() <= bytewitness::PARITY_SPACE) {
    to.parity = static_cast<Parity>(from.parity());
  }
  to.stop_bits = from.stop_bits() == 2 ? StopBits::kTwo : StopBits::kOne;
  if (from.flow() >= 0 && from.flow() <= bytewitness::FLOW_XON_XOFF) {
    to.flow = static_cast<FlowControl>(from.flow());
  }
  return to;
}

void Put(const AdapterFacts& from, bytewitness::Adapter* to) {
  to->set_description(from.description);
  to->set_driver(from.driver);
  to->set_serial_number(from.serial_number);
  if (from.usb_vendor >= 0) to->set_usb_vendor(static_cast<std::uint32_t>(from.usb_vendor));
  if (from.usb_product >= 0) to->set_usb_product(static_cast<std::uint32_t>(from.usb_product));
  if (from.latency_timer_ms >= 0) {
    to->set_latency_timer_ms(static_cast<std::uint32_t>(from.latency_timer_ms));
  }
}

AdapterFacts Get(const bytewitness::Adapter& from) {
  const auto number = [](bool there, std::uint32_t v) {
    return there && v <= 0x7FFFFFFF ? static_cast<int>(v) : -1;
  };
  AdapterFacts to;
  to.description = from.description();
  to.driver = from.driver();
  to.serial_number = from.serial_number();
  to.usb_vendor = number(from.has_usb_vendor(), from.usb_vendor());
  to.usb_product = number(from.has_usb_product(), from.usb_product());
  to.latency_timer_ms = number(from.has_latency_timer_ms(), from.latency_timer_ms());
  return to;
}

Side GetSide(bytewitness::Side side) {
  return side >= 0 && side <= bytewitness::SIDE_MODULE ? static_cast<Side>(side) : Side::kUnknown;
}

}  // namespace

Bytes EncodeHeader(const CaptureInfo& info, unsigned format_major, unsigned format_minor) {
  bytewitness::Header header;
  header.set_format_major(format_major);
  header.set_format_minor(format_minor);
  header.set_tool(info.tool);
  header.set_origin(static_cast<bytewitness::Origin>(info.origin));
  header.set_began_unix_ns(info.began_unix_ns);
  header.set_host_name(info.host_name);
  header.set_title(info.title);
  for (const Tap& tap : info.taps) {
    bytewitness::Tap* to = header.add_tap();
    to->set_hears(static_cast<bytewitness::Side>(tap.hears));
    to->set_port(tap.port);
    Put(tap.asked, to->mutable_asked());
    Put(tap.got, to->mutable_got());
    if (!(tap.adapter == AdapterFacts{})) Put(tap.adapter, to->mutable_adapter());
  }
  header.set_stamp_uncertainty_ns(info.stamp_uncertainty.ns());
  header.set_virtual_time(info.virtual_time);
  header.set_redacted(info.redacted);
  Bytes out = header.SerializeAsString();
  AppendCrc(out);
  return out;
}

Status DecodeHeader(ByteView content, CaptureInfo& info) {
  if (const Status status = CheckCrc(content, "header"); !status.ok()) return status;
  std::size_t fields = kMaxMessageFields;
  if (!HasFewFields(content, Within::kHeader, fields)) {
    return Status(Code::kDamaged, "the header cannot be taken apart, or holds too many fields");
  }
  bytewitness::Header header;
  if (!header.ParseFromArray(content.data(), static_cast<int>(content.size()))) {
    return Status(Code::kDamaged, "the header cannot be taken apart");
  }
  info.format_major = header.format_major();
  info.format_minor = header.format_minor();
  if (header.format_major() != kFormatMajor) {
    return Status(Code::kUnsupported, "capture format " + std::to_string(header.format_major()) +
                                          "." + std::to_string(header.format_minor()) +
                                          " is not known here (" + std::to_string(kFormatMajor) +
                                          ".x is); take a newer bytewitness");
  }
  if (static_cast<std::size_t>(header.tap_size()) > kMaxTaps) {
    return Status(Code::kDamaged, "the header names more taps than a capture may have");
  }
  info.tool = header.tool();
  info.origin = header.origin() >= 0 && header.origin() <= bytewitness::ORIGIN_SURVEY
                    ? static_cast<Origin>(header.origin())
                    : Origin::kUnspecified;
  info.began_unix_ns = header.began_unix_ns();
  info.host_name = header.host_name();
  info.title = header.title();
  info.taps.clear();
  for (const auto& from : header.tap()) {
    Tap tap;
    tap.hears = GetSide(from.hears());
    tap.port = from.port();
    tap.asked = Get(from.asked());
    tap.got = Get(from.got());
    tap.adapter = Get(from.adapter());
    info.taps.push_back(std::move(tap));
  }
  info.stamp_uncertainty =
      Duration::Nanoseconds(std::clamp<std::int64_t>(header.stamp_uncertainty_ns(), 0, kMaxTime));
  info.virtual_time = header.virtual_time();
  info.redacted = header.redacted();
  return OkStatus();
}

Bytes EncodeTrailer(const TrailerFacts& facts) {
  bytewitness::Trailer trailer;
  trailer.set_events(facts.events);
  trailer.set_bytes(facts.bytes);
  trailer.set_blocks(facts.blocks);
  trailer.set_end_ns(facts.end.ns());
  trailer.set_sha256(facts.sha256);
  Bytes out = trailer.SerializeAsString();
  AppendCrc(out);
  return out;
}

Result<TrailerFacts> DecodeTrailer(ByteView content) {
  if (const Status status = CheckCrc(content, "trailer"); !status.ok()) return status;
  std::size_t fields = kMaxMessageFields;
  if (!HasFewFields(content, Within::kLast, fields)) {
    return Status(Code::kDamaged, "the trailer cannot be taken apart, or holds too many fields");
  }
  bytewitness::Trailer trailer;
  if (!trailer.ParseFromArray(content.data(), static_cast<int>(content.size())) ||
      trailer.end_ns() > kMaxTime || trailer.end_ns() < -kMaxTime) {
    return Status(Code::kDamaged, "the trailer cannot be taken apart");
  }
  TrailerFacts facts;
  facts.events = trailer.events();
  facts.bytes = trailer.bytes();
  facts.blocks = trailer.blocks();
  facts.end = Instant::FromNanoseconds(trailer.end_ns());
  facts.sha256 = trailer.sha256();
  return facts;
}

Bytes EncodeIndex(const IndexFacts& facts) {
  bytewitness::Index index;
  std::int64_t base_before = 0;
  for (std::size_t i = 0; i < facts.frames.size(); ++i) {
    const IndexEntry& entry = facts.frames[i];
    const bool last = i + 1 == facts.frames.size();
    const std::uint64_t next_offset = last ? facts.end_offset : facts.frames[i + 1].offset;
    const std::uint64_t next_event = last ? facts.events : facts.frames[i + 1].first_event;
    index.add_frame_bytes(next_offset - entry.offset);
    index.add_events(next_event - entry.first_event);
    index.add_base_ns(entry.base_ns - base_before);
    base_before = entry.base_ns;
  }
  if (!facts.frames.empty()) index.set_first_frame(facts.frames.front().offset);
  index.set_frames_crc32c(facts.frames_crc32c);
  const Bytes message = index.SerializeAsString();
  Bytes out;
  AppendLittle32(out, kIndexMagic);
  AppendLittle32(out, static_cast<std::uint32_t>(message.size() + kIndexTailBytes));
  out += message;
  const std::uint32_t crc = Crc32c(out);
  AppendLittle32(out, crc);
  AppendLittle32(out, static_cast<std::uint32_t>(out.size() + 4 + kMarkBytes));
  out.append(kIndexMark, kMarkBytes);
  return out;
}

std::uint64_t IndexSizeFromTail(ByteView tail) {
  if (tail.size() != kIndexTailBytes ||
      tail.substr(kIndexTailBytes - kMarkBytes) != ByteView(kIndexMark, kMarkBytes)) {
    return 0;
  }
  return Little32(tail.data() + 4);
}

Result<IndexFacts> DecodeIndex(ByteView frame, std::uint64_t offset) {
  constexpr std::size_t kHead = 8;
  const Status bad(Code::kDamaged, "the index is damaged");
  if (frame.size() < kHead + kIndexTailBytes || frame.size() > kMaxIndexBytes ||
      Little32(frame.data()) != kIndexMagic || Little32(frame.data() + 4) != frame.size() - kHead ||
      IndexSizeFromTail(frame.substr(frame.size() - kIndexTailBytes)) != frame.size()) {
    return bad;
  }
  const ByteView summed = frame.substr(0, frame.size() - kIndexTailBytes);
  if (Crc32c(summed) != Little32(summed.data() + summed.size())) return bad;
  bytewitness::Index index;
  const ByteView message = summed.substr(kHead);
  if (!index.ParseFromArray(message.data(), static_cast<int>(message.size())) ||
      index.frame_bytes_size() != index.events_size() ||
      index.frame_bytes_size() != index.base_ns_size()) {
    return bad;
  }
  IndexFacts facts;
  facts.frames_crc32c = index.frames_crc32c();
  facts.frames.reserve(static_cast<std::size_t>(index.events_size()));
  std::uint64_t at = index.first_frame();
  std::int64_t base = 0;
  for (int i = 0; i < index.events_size(); ++i) {
    if (at > offset || index.frame_bytes(i) > offset - at ||
        index.events(i) > kMaxBlockEvents * kMaxFrameBytes ||
        __builtin_add_overflow(base, index.base_ns(i), &base)) {
      return bad;
    }
    facts.frames.push_back({at, facts.events, base});
    at += index.frame_bytes(i);
    if (__builtin_add_overflow(facts.events, index.events(i), &facts.events)) return bad;
  }
  facts.end_offset = at;
  return facts;
}

}  // namespace witness
