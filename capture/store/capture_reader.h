// Reads events from one capture, oldest first.
//
// The event from Next() is a view, valid until the following call. Times are nanoseconds since the
// capture began, on the recorder's monotonic clock. Memory is bounded whatever the file holds.
// One thread at a time.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "capture/base/instant.h"
#include "capture/base/result.h"
#include "capture/store/capture_info.h"
#include "capture/store/event.h"

namespace witness {

class ReadListener;  // read_listener.h

struct ReaderOptions {
  Instant from;                      // events before are left out; jumps if there is an index
  Instant to = Instant::Never();     // events at or after are left out
  ReadListener* listener = nullptr;  // must outlive the reader
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
  virtual Outcome Next(Event& event) = 0;

  // Place in the capture of the event that Next() gave last, counted from 0; lost events are
  // counted. Of a gap put in for a damaged stretch: that of the first event lost.
  virtual std::uint64_t index() const = 0;

  // After kEnd.
  virtual const CaptureEnding& ending() const = 0;
  virtual const Status& status() const = 0;
};

}  // namespace witness
