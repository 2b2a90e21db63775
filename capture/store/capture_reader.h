// Reads events from one capture, oldest first.
//
// The event from Next() is a view, valid until the following call. NextBatch() gives some hundred
// at a time (event_batch.h), for those who want to be quick with millions. Times are nanoseconds
// since the capture began, on the recorder's monotonic clock. Memory is bounded whatever the file
// holds. One thread at a time.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/base/result.h"
#include "capture/store/capture_info.h"
#include "capture/store/event.h"
#include "capture/store/event_batch.h"

namespace witness {

class ReadListener;  // read_listener.h

struct ReaderOptions {
  Instant from;                      // events before are left out; jumps if there is an index
  Instant to = Instant::Never();     // events at or after are left out
  ReadListener* listener = nullptr;  // must outlive the reader
  // What info() says of all taps in place of the header, where that is not how this part was heard;
  // baud 0: not known.
  std::optional<LineSettings> heard_at = {};
  // The events of long captures are made on another thread, a little ahead: for who does more with
  // each than it takes to make it.
  bool make_ahead = false;
};

class CaptureReader {
 public:
  enum class Outcome {
    kEvent,   // `event` is filled
    kEnd,     // no more: see ending(), which tells closed cleanly, cut off and damaged apart
    kFailed,  // the file could not be read on (i/o): see status()
  };

  // Errors: kNotFound, kIo, kDamaged (not a capture, or nothing of it can be read),
  // kUnsupported (newer major version). Empty and cut files open as far as a header was written.
  static Result<std::unique_ptr<CaptureReader>> Open(const std::string& path,
                                                     const ReaderOptions& options = {});
  // `bytes` must outlive the reader.
  static Result<std::unique_ptr<CaptureReader>> OpenMemory(ByteView bytes,
                                                           const ReaderOptions& options = {});
  virtual ~CaptureReader() = default;

  virtual const CaptureInfo& info() const = 0;

  // A damaged stretch is delivered as an event of kind kGap with GapReason::kDamagedFile at its
  // place, and reading goes on behind it.
  Outcome Next(Event& event) {
    if (taken_ == batch_.events.size())
      if (const Outcome outcome = Refill(); outcome != Outcome::kEvent) return outcome;
    const BriefEvent& brief = batch_.events[taken_++];
    if (batch_.details != nullptr) {
      event = *batch_.details;
      plain_ = nullptr;
      return Outcome::kEvent;
    }
    // Details are those of the event before, if it was given into the same place: none.
    if (&event != plain_ || HasDetails(event.kind)) ClearDetails(event);
    plain_ = &event;
    event.at = brief.at;
    event.kind = brief.kind;
    event.side = brief.side;
    event.bytes = brief.bytes();
    return Outcome::kEvent;
  }

  // The next events in capture order, as many as can be had at once; those that Next() gave are not
  // among them. Valid until the following call of this or of Next(), also where these lead to kEnd.
  Outcome NextBatch(EventBatch& batch) {
    if (taken_ == batch_.events.size())
      if (const Outcome outcome = Refill(); outcome != Outcome::kEvent) return outcome;
    batch = {batch_.first + taken_, batch_.events.subspan(taken_), batch_.details, batch_.goes_on};
    taken_ = batch_.events.size();
    return Outcome::kEvent;
  }

  // Place in the capture of the event that Next() gave last, or of the last in NextBatch()'s batch,
  // counted from 0; lost events are counted. Of a gap put in for a damaged stretch: that of the
  // first event lost.
  std::uint64_t index() const { return batch_.first + taken_ - 1; }

  // After kEnd.
  virtual const CaptureEnding& ending() const = 0;
  virtual const Status& status() const = 0;

 protected:
  // As NextBatch().
  virtual Outcome ReadBatch(EventBatch& batch) = 0;

 private:
  Outcome Refill() {
    const Outcome outcome = ReadBatch(batch_);
    taken_ = 0;
    if (outcome != Outcome::kEvent) batch_ = {};
    return outcome;
  }
  // Field by field: `event = Event{}` becomes an instruction that takes longer than all the rest.
  static void ClearDetails(Event& event) {
    event.lines = 0;
    event.changed = 0;
    event.counts.framing = 0;
    event.counts.parity = 0;
    event.counts.overrun = 0;
    event.counts.buffer_overrun = 0;
    event.counts.breaks = 0;
    event.name = std::string_view();
    event.level = 0;
    event.gap.reason = GapReason::kUnspecified;
    event.gap.length = Duration::Zero();
    event.gap.bytes_lost = 0;
    event.gap.events_lost = 0;
  }

  EventBatch batch_;
  std::size_t taken_ = 0;         // of batch_
  const Event* plain_ = nullptr;  // where Next() gave the last event, if it had no details
};

}  // namespace witness
