#include "capture/record/recorder.h"

#include <unistd.h>

#include <utility>

#include "capture/base/version.h"

namespace witness {
namespace {

// More than this is not kept waiting (Recorder::HoldBytes).
constexpr std::size_t kMostHeld = 256;
constexpr std::size_t kMostHeldBytes = 64 * 1024;

}  // namespace

Recorder::Recorder(Driver& driver, CaptureWriter& writer, Instant began)
    : driver_(driver), writer_(&writer), began_(began), last_byte_(began) {}

Recorder::~Recorder() {
  if (timer_) driver_.CancelTimer(*timer_);
  if (held_timer_) driver_.CancelTimer(*held_timer_);
}

PortHandlers Recorder::Handlers(Side side, std::function<void(Instant, ByteView)> then,
                                std::function<void(Instant, ReadOutcome, const Status&)> on_end) {
  PortHandlers out;
  out.on_bytes = [this, side, then = std::move(then)](Instant at, ByteView bytes) {
    if (then) then(at, bytes);
    Keep(at, side, bytes);
  };
  out.on_bad_byte = [this, side](Instant at, ByteView byte) {
    Event event;
    event.at = at;
    event.kind = EventKind::kBadByte;
    event.side = side;
    event.bytes = byte;
    Record(event);
  };
  out.on_break = [this, side](Instant at) {
    Event event;
    event.at = at;
    event.kind = EventKind::kBreak;
    event.side = side;
    Record(event);
  };
  out.on_lines = [this, side](Instant at, std::uint32_t asserted, std::uint32_t changed) {
    Event event;
    event.at = at;
    event.kind = EventKind::kLineChange;
    event.side = side;
    event.lines = asserted;
    event.changed = changed;
    Record(event);
  };
  out.on_counts = [this, side](Instant at, const LineCounts& more) {
    Event event;
    event.at = at;
    event.kind = EventKind::kErrorCounts;
    event.side = side;
    event.counts = {more.framing, more.parity, more.overrun, more.buffer_overrun, more.breaks};
    Record(event);
  };
  out.on_note = [this](Instant at, const std::string& what) { Note(at, what); };
  out.on_end = [this, side, on_end = std::move(on_end)](Instant at, ReadOutcome why,
                                                        const Status& status) {
    if (why != ReadOutcome::kFinished) {
      Event event;
      event.at = at;
      event.kind = EventKind::kGap;
      event.side = side;
      event.gap.reason = GapReason::kUnplugged;
      Record(event);
    }
    if (on_end) on_end(at, why, status);
  };
  return out;
}

std::uint64_t Recorder::Record(Event event) {
  RecordHeld();
  return RecordNow(std::move(event));
}

std::uint64_t Recorder::RecordNow(Event event) {
  if (!status_.ok() || closed_) return events_;
  const bool says = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  if (says) last_byte_ = std::max(last_byte_, event.at);
  event.at = Instant() + (event.at - began_);
  if (Status s = writer_->Append(event); !s.ok()) {
    Fail(s);
    return events_;
  }
  if (says) bytes_ += event.bytes.size();
  const std::uint64_t index = events_++;
  for (const auto& watcher : watchers_) watcher(event);
  Arm();
  return index;
}

void Recorder::RecordBytes(Instant at, Side side, ByteView bytes) {
  Event event;
  event.at = at;
  event.side = side;
  event.bytes = bytes;
  Record(event);
}

void Recorder::HoldBytes(Duration longest) {
  hold_for_ = longest;
  held_.reserve(kMostHeld);
  held_bytes_.reserve(kMostHeldBytes);
}

void Recorder::Keep(Instant at, Side side, ByteView bytes) {
  if (!hold_for_ || bytes.size() > kMostHeldBytes) {
    RecordBytes(at, side, bytes);
    return;
  }
  if (!status_.ok() || closed_) return;
  if (held_.size() == kMostHeld || held_bytes_.size() + bytes.size() > kMostHeldBytes) RecordHeld();
  held_.push_back({at, side, bytes.size()});
  held_bytes_.append(bytes);
  last_byte_ = std::max(last_byte_, at);
  if (held_timer_) return;
  held_timer_ = driver_.SetTimer(at + *hold_for_, [this](Instant) {
    held_timer_.reset();
    RecordHeld();
  });
}

void Recorder::RecordHeld() {
  if (held_.empty()) return;
  // A watcher may record something itself, or end the recording.
  std::vector<Held> held;
  Bytes bytes;
  held.swap(held_);
  bytes.swap(held_bytes_);
  std::size_t done = 0;
  for (const Held& one : held) {
    Event event;
    event.at = one.at;
    event.side = one.side;
    event.bytes = ByteView(bytes).substr(done, one.size);
    done += one.size;
    RecordNow(event);
  }
  if (!held_.empty()) return;
  held.clear();  // they keep their room
  bytes.clear();
  held.swap(held_);
  bytes.swap(held_bytes_);
}

void Recorder::Note(Instant at, std::string_view text) {
  Event event;
  event.at = at;
  event.kind = EventKind::kNote;
  event.bytes = text;
  Record(event);
}

void Recorder::Watch(std::function<void(const Event&)> watcher) {
  watchers_.push_back(std::move(watcher));
}

void Recorder::OnFailure(std::function<void(const Status&)> call) { on_failure_ = std::move(call); }

void Recorder::Arm() {
  if (timer_ || !status_.ok()) return;
  const Instant next = writer_->NextTick();
  if (next.never()) return;
  timer_ = driver_.SetTimer(began_ + (next - Instant()), [this](Instant now) {
    RecordHeld();
    timer_.reset();
    if (closed_) return;
    if (Status s = writer_->Tick(Instant() + (now - began_)); !s.ok()) {
      Fail(s);
      return;
    }
    Arm();
  });
}

void Recorder::Fail(const Status& status) {
  if (!status_.ok()) return;
  status_ = status;
  if (on_failure_) on_failure_(status);
}

void Recorder::ContinueIn(CaptureWriter& next, Instant began) {
  if (timer_) driver_.CancelTimer(*timer_);
  timer_.reset();
  writer_ = &next;
  began_ = began;
  events_ = 0;
  bytes_ = 0;
}

Status Recorder::Close() {
  if (closed_) return status_;
  RecordHeld();
  closed_ = true;
  if (held_timer_) driver_.CancelTimer(*held_timer_);
  held_timer_.reset();
  if (timer_) driver_.CancelTimer(*timer_);
  timer_.reset();
  const Status closing = writer_->Close(Instant() + (driver_.clock().Now() - began_));
  return status_.ok() ? closing : status_;
}

Tap DescribeTap(const Port& port, Side hears, const LineSettings& asked, const LineSettings& got) {
  Tap tap;
  tap.hears = hears;
  tap.port = port.name();
  tap.asked = asked;
  tap.got = got;
  const PortFacts facts = FactsOf(port.name());
  tap.adapter.description = facts.description;
  tap.adapter.driver = facts.driver;
  tap.adapter.serial_number = facts.serial_number;
  tap.adapter.usb_vendor = facts.usb_vendor;
  tap.adapter.usb_product = facts.usb_product;
  tap.adapter.latency_timer_ms = facts.latency_timer_ms;
  return tap;
}

CaptureInfo DescribeCapture(Origin origin, std::vector<Tap> taps) {
  CaptureInfo info;
  info.tool = std::string("bytewitness ") + kToolVersion;
  info.origin = origin;
  info.began_unix_ns = WallClockNanoseconds();
  char name[256] = {};
  if (gethostname(name, sizeof name - 1) == 0) info.host_name = name;
  for (const Tap& tap : taps) {
    if (tap.adapter.latency_timer_ms > 0)
      info.stamp_uncertainty =
          std::max(info.stamp_uncertainty, Duration::Milliseconds(tap.adapter.latency_timer_ms));
  }
  info.taps = std::move(taps);
  return info;
}

}  // namespace witness
