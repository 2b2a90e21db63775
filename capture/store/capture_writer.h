// Writes one capture (FORMAT.md), event by event, so that a crash loses at most the last flush.
//
// Reads no clock: time comes with the events and with Tick(). Not thread-safe; the sync to disk
// runs on a thread of the writer's own.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "capture/base/instant.h"
#include "capture/base/result.h"
#include "capture/store/capture_info.h"
#include "capture/store/event.h"
#include "capture/store/sink.h"

namespace witness {

enum class Durability : std::uint8_t {
  kRelaxed,  // never synced before the close
  kNormal,   // synced in the background after each closed frame, and a second after any flush
  kStrict,   // synced after every flush
};

struct WriterOptions {
  Durability durability = Durability::kNormal;
  Duration flush_every = Duration::Milliseconds(250);
  bool compact_on_close = true;  // only for files: rewritten in large frames and renamed
  bool replace = false;          // overwrite an existing file
};

class CaptureWriter {
 public:
  // Writes the header at once.
  static Result<std::unique_ptr<CaptureWriter>> Create(const std::string& path,
                                                       const CaptureInfo& info,
                                                       const WriterOptions& options = {});
  // `sink` for tests and pipes; never compacted.
  static Result<std::unique_ptr<CaptureWriter>> Create(std::unique_ptr<Sink> sink,
                                                       const CaptureInfo& info,
                                                       const WriterOptions& options = {});
  virtual ~CaptureWriter() = default;  // without Close(): as after a crash

  // Times must not decrease; an earlier one is taken as equal to the one before.
  virtual Status Append(const Event& event) = 0;

  // Writes out what is due at `now`. NextTick() says when to call again; Never if nothing waits.
  virtual Status Tick(Instant now) = 0;
  virtual Instant NextTick() const = 0;

  // Writes the trailer, then compacts. `end` is when recording ended. On a failure to compact the
  // live file stays whole and the Status says so.
  virtual Status Close(Instant end) = 0;

  virtual std::uint64_t events() const = 0;
  virtual std::uint64_t payload_bytes() const = 0;
};

}  // namespace witness
