// What a capture is made of.
//
// An Event is what one read delivered, or one thing that happened to the line. It is a plain value;
// its views (`bytes`, `name`) belong to whoever made the event: see there how long they live.
#pragma once

#include <cstdint>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"

namespace witness {

// Who spoke. In terms of V.24/V.250: host = DTE, module = DCE.
enum class Side : std::uint8_t {
  kUnknown = 0,  // one wire heard, or both directions on one wire
  kHost = 1,
  kModule = 2,
};

enum class EventKind : std::uint8_t {
  kBytes = 0,        // `bytes`: what one read delivered
  kBadByte = 1,      // `bytes`: one byte that came with a parity or framing error
  kBreak = 2,        // a break was received from `side`
  kLineChange = 3,   // `lines`, `changed`
  kErrorCounts = 4,  // `counts`
  kPin = 5,          // `name`, `level`: a named pin (of an emulated board) changed
  kNote = 6,         // `bytes`: UTF-8 text by a person or by the recorder
  kGap = 7,          // `gap`: something may be missing here
};

// Bits of `lines` and `changed`. Names as in V.24 practice.
enum LineBit : std::uint32_t {
  kRts = 1,
  kCts = 2,
  kDtr = 4,
  kDsr = 8,
  kDcd = 16,
  kRi = 32,
};

// How many more the driver has counted since the event of this kind before.
struct ErrorCounts {
  std::uint32_t framing = 0;
  std::uint32_t parity = 0;
  std::uint32_t overrun = 0;         // in the UART
  std::uint32_t buffer_overrun = 0;  // in the driver's or the program's buffer
  std::uint32_t breaks = 0;

  bool operator==(const ErrorCounts&) const = default;
  bool empty() const { return *this == ErrorCounts{}; }
};

enum class GapReason : std::uint8_t {
  kUnspecified = 0,
  kQueueFull = 1,    // the recorder could not keep up
  kUnplugged = 2,    // the port was away
  kDamagedFile = 3,  // the capture file was damaged here; put in by the reader or by mend
  kDiskFull = 4,
};

struct Gap {
  GapReason reason = GapReason::kUnspecified;
  Duration length;                // from the event's `at`; zero if unknown
  std::uint64_t bytes_lost = 0;   // 0: unknown
  std::uint64_t events_lost = 0;  // 0: unknown

  bool operator==(const Gap&) const = default;
};

struct Event {
  Instant at;  // when the host read it (see CaptureInfo::stamp_uncertainty), never decreasing
  EventKind kind = EventKind::kBytes;
  Side side = Side::kUnknown;  // who spoke; of a line change: who drives the changed lines
  ByteView bytes;
  std::uint32_t lines = 0;    // LineBit: asserted after the change
  std::uint32_t changed = 0;  // LineBit: which of them changed
  ErrorCounts counts;
  std::string_view name;   // kPin
  std::uint8_t level = 0;  // kPin: 0 or 1
  Gap gap;

  bool operator==(const Event&) const = default;
};

// An Event that owns its bytes, for tests and for the few places that keep some.
struct OwnedEvent {
  Event event;
  Bytes bytes;
  Bytes name;

  OwnedEvent() = default;
  explicit OwnedEvent(const Event& e) : event(e), bytes(e.bytes), name(e.name) {}
  // Valid while this object is neither changed nor destroyed.
  Event View() const {
    Event e = event;
    e.bytes = bytes;
    e.name = name;
    return e;
  }
};

const char* SideName(Side side);  // "host", "module", "unknown"

}  // namespace witness
