// What is known of a capture as a whole; the plain form of the schema's Header and Trailer.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/store/event.h"

namespace witness {

// What is known of the adapter behind a port. Empty or negative: not known.
struct AdapterFacts {
  std::string description;  // as the driver tells it; hostile text
  std::string driver;       // kernel driver, "ftdi_sio"
  std::string serial_number;
  int usb_vendor = -1;
  int usb_product = -1;
  int latency_timer_ms = -1;  // how long the adapter may hold back bytes

  bool operator==(const AdapterFacts&) const = default;
};

// One port that was listened at.
struct Tap {
  Side hears = Side::kUnknown;  // whose bytes this port delivers
  std::string port;             // name as opened; hostile text
  LineSettings asked;
  LineSettings got;  // as read back
  AdapterFacts adapter;

  bool operator==(const Tap&) const = default;
};

// How the bytes came to be recorded.
enum class Origin : std::uint8_t {
  kUnspecified = 0,
  kListen = 1,   // receive-only tap(s)
  kBetween = 2,  // passed on by us, both sides seen
  kAsk = 3,      // we were the host
  kImport = 4,
  kTrial = 5,  // played by us in a trial
  kMend = 6,
  kRedact = 7,
  kSurvey = 8,
};

struct CaptureInfo {
  unsigned format_major = 0;  // as read; the writer puts its own
  unsigned format_minor = 0;
  std::string tool;  // "bytewitness 0.1.0"
  Origin origin = Origin::kUnspecified;
  std::int64_t began_unix_ns = 0;  // wall-clock time of Instant 0; 0: not known
  std::string host_name;           // hostile text
  std::string title;               // hostile text
  std::vector<Tap> taps;
  // A stamp may be later than the moment the last of its bytes crossed the wire by up to this
  // (adapter's latency timer, scheduling). Zero: exact (virtual time) or not known.
  Duration stamp_uncertainty;
  bool virtual_time = false;
  bool redacted = false;
};

// How a capture that was read to its end has ended.
struct CaptureEnding {
  bool closed_cleanly = false;  // a trailer was there and everything agrees with it
  bool damaged = false;         // something before the end proved wrong
  bool complete = true;      // false: only a part was asked for, and no more than that was checked
  Instant end;               // trailer's end time, or the last event's that was read
  std::uint64_t events = 0;  // delivered
  std::uint64_t bytes = 0;   // payload delivered
  std::string what;          // in words, if not closed cleanly
};

}  // namespace witness
