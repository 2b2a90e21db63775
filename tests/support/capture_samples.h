// Captures for tests: events of every kind, and the short way from events to bytes and back.
#pragma once

#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "capture/store/capture_reader.h"
#include "capture/store/capture_writer.h"

namespace witness {

struct ReadBack {
  CaptureInfo info;
  std::vector<OwnedEvent> events;
  std::vector<std::uint64_t> indices;
  CaptureEnding ending;
};

inline ReadBack ReadAll(CaptureReader& reader) {
  ReadBack all;
  all.info = reader.info();
  Event event;
  CaptureReader::Outcome outcome = reader.Next(event);
  for (; outcome == CaptureReader::Outcome::kEvent; outcome = reader.Next(event)) {
    all.events.emplace_back(event);
    all.indices.push_back(reader.index());
  }
  EXPECT_EQ(outcome, CaptureReader::Outcome::kEnd) << reader.status().message();
  all.ending = reader.ending();
  return all;
}

inline ReadBack ReadAllOf(ByteView file, const ReaderOptions& options = {}) {
  auto reader = CaptureReader::OpenMemory(file, options);
  EXPECT_TRUE(reader.ok()) << reader.status().message();
  return reader.ok() ? ReadAll(**reader) : ReadBack{};
}

inline Event BytesEvent(std::int64_t at_ns, Side side, ByteView bytes) {
  Event event;
  event.at = Instant::FromNanoseconds(at_ns);
  event.side = side;
  event.bytes = bytes;
  return event;
}

// A short dialogue with one event of every kind in it. The views are literals.
inline std::vector<Event> EventsOfEveryKind() {
  std::vector<Event> events;
  const auto add = [&events](std::int64_t at_ns, EventKind kind, Side side) -> Event& {
    Event event;
    event.at = Instant::FromNanoseconds(at_ns);
    event.kind = kind;
    event.side = side;
    events.push_back(event);
    return events.back();
  };
  Event& lines = add(1'000, EventKind::kLineChange, Side::kHost);
  lines.lines = kDtr | kRts;
  lines.changed = kDtr | kRts;
  add(5'000'000, EventKind::kBytes, Side::kHost).bytes = "AT+FW?\r\n";
  add(25'400'123, EventKind::kBytes, Side::kModule).bytes = "\r\nsedge-b 1.8\r\n";
  add(25'400'123, EventKind::kBytes, Side::kModule).bytes = "\r\nOK\r\n";
  add(400'000'000, EventKind::kBadByte, Side::kModule).bytes = ByteView("\x00", 1);
  Event& counts = add(400'000'001, EventKind::kErrorCounts, Side::kModule);
  counts.counts.framing = 1;
  counts.counts.breaks = 70'000;
  add(500'000'000, EventKind::kBreak, Side::kHost);
  Event& pin = add(500'000'500, EventKind::kPin, Side::kUnknown);
  pin.name = "B5";
  pin.level = 1;
  add(9'000'000'000, EventKind::kNote, Side::kUnknown).bytes =
      "antenna \xE2\x80\x9Cout\xE2\x80\x9D";
  Event& gap = add(9'000'000'000, EventKind::kGap, Side::kModule);
  gap.gap.reason = GapReason::kQueueFull;
  gap.gap.length = Duration::Milliseconds(12);
  gap.gap.bytes_lost = 300;
  gap.gap.events_lost = 7;
  add(3'600'000'000'000, EventKind::kBytes, Side::kUnknown).bytes = ByteView("\xFF\x00\x7E", 3);
  add(3'600'000'000'001, EventKind::kBytes, Side::kHost);  // no bytes at all
  return events;
}

inline CaptureInfo FullInfo() {
  CaptureInfo info;
  info.tool = "bytewitness 0.1.0";
  info.origin = Origin::kBetween;
  info.began_unix_ns = 1'764'000'000'123'456'789;
  info.host_name = "bench";
  info.title = "butt-watch and Sedge B";
  Tap tap;
  tap.hears = Side::kModule;
  tap.port = "/dev/ttyUSB0";
  tap.asked.baud = 115200;
  tap.got.baud = 115000;
  tap.got.parity = Parity::kEven;
  tap.got.data_bits = 7;
  tap.got.stop_bits = StopBits::kTwo;
  tap.got.flow = FlowControl::kRtsCts;
  tap.adapter.description = "Sample adapter";
  tap.adapter.driver = "ftdi_sio";
  tap.adapter.serial_number = "S-17";
  tap.adapter.usb_vendor = 0x0403;
  tap.adapter.usb_product = 0x6001;
  tap.adapter.latency_timer_ms = 16;
  info.taps.push_back(tap);
  Tap pty;
  pty.hears = Side::kHost;
  pty.port = "/dev/pts/7";
  pty.asked.baud = 0;
  pty.got.baud = 0;
  info.taps.push_back(pty);
  info.stamp_uncertainty = Duration::Milliseconds(16);
  info.virtual_time = true;
  info.redacted = true;
  return info;
}

// The file that a writer makes of `events`; without Close if `closed` is false.
inline Bytes WriteCapture(const std::vector<Event>& events, const CaptureInfo& info = FullInfo(),
                          bool closed = true, const WriterOptions& options = {}) {
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), info, options);
  EXPECT_TRUE(writer.ok()) << writer.status().message();
  for (const Event& event : events) EXPECT_TRUE((*writer)->Append(event).ok());
  const Instant end = events.empty() ? Instant() : events.back().at;
  if (closed) {
    EXPECT_TRUE((*writer)->Close(end).ok());
  } else {
    EXPECT_TRUE((*writer)->Tick(Instant::Never()).ok());
  }
  return file;
}

inline void ExpectSameEvents(const std::vector<OwnedEvent>& got, const std::vector<Event>& want) {
  ASSERT_EQ(got.size(), want.size());
  for (std::size_t i = 0; i < want.size(); ++i) {
    EXPECT_TRUE(got[i].View() == want[i]) << "event " << i;
  }
}

// That both gave the same, all but the header.
inline void ExpectSameReading(const ReadBack& got, const ReadBack& want) {
  std::vector<Event> events;
  for (const OwnedEvent& event : want.events) events.push_back(event.View());
  ExpectSameEvents(got.events, events);
  EXPECT_EQ(got.indices, want.indices);
  EXPECT_EQ(got.ending.events, want.ending.events);
  EXPECT_EQ(got.ending.bytes, want.ending.bytes);
  EXPECT_EQ(got.ending.end, want.ending.end);
  EXPECT_EQ(got.ending.damaged, want.ending.damaged);
  EXPECT_EQ(got.ending.complete, want.ending.complete);
  EXPECT_EQ(got.ending.what, want.ending.what);
}

}  // namespace witness
