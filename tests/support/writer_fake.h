// A capture writer that keeps events in memory, fails when told, and asks for ticks when told.
#pragma once

#include <memory>
#include <vector>

#include "capture/store/capture_writer.h"

namespace witness {

class WriterFake : public CaptureWriter {
 public:
  std::vector<OwnedEvent> kept;
  std::optional<std::size_t> fail_after;  // events that are taken before Append fails
  Duration flush_every;                   // zero: never asks for a tick
  std::vector<Instant> ticks;
  bool closed = false;
  Instant closed_at;

  Status Append(const Event& event) override {
    if (fail_after && kept.size() >= *fail_after)
      return Status(Code::kIo, "full.witness: No space left on device");
    kept.emplace_back(event);
    if (flush_every > Duration::Zero() && next_.never()) next_ = event.at + flush_every;
    return OkStatus();
  }
  Status Tick(Instant now) override {
    ticks.push_back(now);
    next_ = Instant::Never();
    return OkStatus();
  }
  Instant NextTick() const override { return next_; }
  Status Close(Instant end) override {
    closed = true;
    closed_at = end;
    return OkStatus();
  }
  std::uint64_t events() const override { return kept.size(); }
  std::uint64_t payload_bytes() const override { return 0; }

  Bytes BytesOf(Side side) const {
    Bytes out;
    for (const OwnedEvent& event : kept)
      if (event.event.kind == EventKind::kBytes && event.event.side == side) out += event.bytes;
    return out;
  }

 private:
  Instant next_ = Instant::Never();
};

}  // namespace witness
