// A conversation written down in a test, as events: Talk().Host(0, "AT\r").Module(20, "OK\r\n").
#pragma once

#include <string>
#include <vector>

#include "capture/examine/segmenter.h"
#include "capture/store/event.h"

namespace witness::test {

class Talk {
 public:
  // Milliseconds since the capture began.
  Talk& Host(double ms, ByteView bytes) { return Say(ms, Side::kHost, bytes); }
  Talk& Module(double ms, ByteView bytes) { return Say(ms, Side::kModule, bytes); }
  Talk& Unknown(double ms, ByteView bytes) { return Say(ms, Side::kUnknown, bytes); }
  Talk& Say(double ms, Side side, ByteView bytes, EventKind kind = EventKind::kBytes) {
    Event event;
    event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(ms * 1e6));
    event.side = side;
    event.kind = kind;
    event.bytes = bytes;
    events_.emplace_back(event);
    return *this;
  }
  Talk& Mark(double ms, EventKind kind, Side side = Side::kUnknown) {
    return Say(ms, side, "", kind);
  }
  const std::vector<OwnedEvent>& events() const { return events_; }

 private:
  std::vector<OwnedEvent> events_;
};

inline std::vector<Segment> Segments(const std::vector<OwnedEvent>& events,
                                     const SegmenterOptions& options = {},
                                     Conventions* conventions = nullptr) {
  std::vector<Segment> out;
  Segmenter segmenter(options, [&](const Segment& s) { out.push_back(s); });
  std::uint64_t index = 0;
  for (const OwnedEvent& e : events) segmenter.Push(e.View(), index++);
  segmenter.Finish();
  if (conventions != nullptr) *conventions = segmenter.conventions();
  return out;
}

// "command:AT\r reply:OK\r\n", silences left out; for reading in a failed test.
inline std::string Outline(const std::vector<Segment>& segments) {
  std::string out;
  for (const Segment& s : segments) {
    if (s.kind == SegmentKind::kSilence) continue;
    if (!out.empty()) out += " | ";
    out += SegmentKindName(s.kind);
    if (!s.bytes.empty()) out += " " + ToEscapes(s.bytes);
  }
  return out;
}

}  // namespace witness::test
