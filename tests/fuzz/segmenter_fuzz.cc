// Any events: every byte is in one segment, in order, and it does not matter how reads cut them.
#include <vector>

#include "capture/examine/exchange_builder.h"
#include "capture/examine/segmenter.h"
#include "tests/fuzz/fuzz.h"

namespace witness::fuzz {
namespace {

// What does not depend on the cuts.
struct Outline {
  SegmentKind kind;
  Side side;
  std::int64_t from, to;
  Bytes bytes;
  EndedBy ended_by;
  std::uint64_t turn;
  std::uint32_t bad_bytes;
  bool operator==(const Outline&) const = default;
};

std::vector<Outline> Cut(const SegmenterOptions& options, const std::vector<OwnedEvent>& events,
                         bool byte_by_byte) {
  std::vector<Outline> out;
  Segmenter segmenter(options, [&](const Segment& s) {
    Must(s.index == out.size(), "segments are numbered in a row");
    Must(s.to >= s.from, "a segment does not end before it begins");
    std::size_t size = 0;
    for (const SegmentPiece& piece : s.pieces) size += piece.size;
    Must(s.pieces.empty() || size == s.bytes.size(), "its pieces make up its bytes");
    out.push_back(
        {s.kind, s.side, s.from.ns(), s.to.ns(), s.bytes, s.ended_by, s.turn, s.bad_bytes});
  });
  std::uint64_t index = 0;
  for (const OwnedEvent& owned : events) {
    Event event = owned.View();
    if (!byte_by_byte || event.kind != EventKind::kBytes || event.bytes.empty()) {
      segmenter.Push(event, index++);
      continue;
    }
    for (const char& byte : owned.bytes) {
      event.bytes = ByteView(&byte, 1);
      segmenter.Push(event, index++);
    }
  }
  segmenter.Finish();
  return out;
}

std::vector<OwnedEvent> Events(Input& input) {
  static constexpr EventKind kKinds[] = {
      EventKind::kBytes,   EventKind::kBytes, EventKind::kBytes,      EventKind::kBytes,
      EventKind::kBadByte, EventKind::kBreak, EventKind::kLineChange, EventKind::kGap};
  std::vector<OwnedEvent> events;
  std::int64_t at = 0;
  while (!input.empty() && events.size() < 4096) {
    // Bits of the first byte: 0-1 side, 2-4 kind, 5-7 how many decimal digits the pause has.
    const std::uint8_t head = input.Byte();
    Event event;
    std::int64_t pause = input.Byte();
    for (int i = 0; i < (head >> 5); ++i) pause *= 12;
    at += pause * 1000;
    event.at = Instant::FromNanoseconds(at);
    event.side = static_cast<Side>((head & 3) % 3);
    event.kind = kKinds[head >> 2 & 7];
    if (event.kind == EventKind::kBytes) event.bytes = input.Take(input.Byte());
    if (event.kind == EventKind::kBadByte) event.bytes = input.Take(1);
    if (event.kind == EventKind::kBadByte && event.bytes.empty()) break;
    if (event.kind == EventKind::kLineChange) event.lines = event.changed = input.Byte() & 63;
    if (event.kind == EventKind::kGap) event.gap.reason = GapReason::kQueueFull;
    events.emplace_back(event);
  }
  return events;
}

FrameRule Rule(Input& input) {
  FrameRule rule;
  rule.start = Bytes(input.Take(input.Byte() % 4));
  rule.end = Bytes(input.Take(input.Byte() % 4));
  const std::uint8_t what = input.Byte();
  if ((what & 1) != 0) rule.escape = input.Byte();
  if ((what & 2) != 0) rule.escape_xor = input.Byte();
  if ((what & 4) != 0) rule.fixed_size = input.Byte();
  if ((what & 8) != 0) {
    FrameRule::LengthField length;
    length.offset = input.Byte() % 16;
    length.size = 1 + input.Byte() % 4;
    length.big_endian = (what & 16) != 0;
    length.adds = static_cast<std::int8_t>(input.Byte());
    rule.length = length;
  }
  if ((what & 32) != 0) {
    rule.check = FrameRule::Check{"modbus", input.Byte() % 8u, input.Byte() % 4u, (what & 64) != 0};
  }
  return rule;
}

}  // namespace
}  // namespace witness::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace witness;
  using namespace witness::fuzz;
  Input input(data, size);
  SegmenterOptions options;
  const std::uint8_t how = input.Byte();
  if ((how & 1) != 0) options.silence = Duration::Microseconds(1 + input.Word());
  if ((how & 2) != 0) options.character_time = Duration::Microseconds(87);
  if ((how & 4) != 0) options.stamp_uncertainty = Duration::Milliseconds(16);
  if ((how & 8) != 0) options.max_segment = 1 + input.Byte();
  if ((how & 16) != 0) options.learn_bytes = input.Word();
  if ((how & 32) != 0) options.learn_bursts = input.Byte();
  if ((how & 64) != 0) {
    const FrameRule rule = Rule(input);
    if (CheckRule(rule).ok()) options.framing = rule;
  }
  const std::vector<OwnedEvent> events = Events(input);
  const auto whole = Cut(options, events, false);
  const auto bytewise = Cut(options, events, true);
  Bytes said[3];
  Bytes given[3];
  for (const OwnedEvent& e : events) {
    if (e.event.kind == EventKind::kBytes || e.event.kind == EventKind::kBadByte) {
      said[static_cast<int>(e.event.side)] += e.bytes;
    }
  }
  for (const Outline& s : whole) {
    if (s.kind != SegmentKind::kLineEvent) given[static_cast<int>(s.side)] += s.bytes;
  }
  for (int side = 0; side < 3; ++side) {
    Must(said[side] == given[side], "every byte is in one segment, in order");
  }
  Must(whole == bytewise, "the cuts of reads do not matter");
  return 0;
}
