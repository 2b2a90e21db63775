// The only poll loop: joins ports, timers, a person's keys, child processes and signals to the
// engines, which do no I/O themselves.
//
// Everything runs on the thread that calls Run(). Callbacks may add and remove ports, write, set
// timers and call Stop(). The driver stamps bytes right after read returns.
#pragma once

#include <functional>
#include <memory>

#include "capture/base/clock.h"
#include "capture/line/port.h"

namespace witness {

using TimerId = std::uint64_t;

struct PortHandlers {
  std::function<void(Instant at, ByteView bytes)> on_bytes = {};
  std::function<void(Instant at, ReadOutcome why, const Status& status)> on_end =
      {};  // finished/gone/failed; once

  // Where a port marks them; all may be empty. Bytes of one read come in order: what stands before
  // a mark by on_bytes, then the mark, then the rest. A bad byte goes to on_bytes if on_bad_byte
  // is empty.
  std::function<void(Instant at, ByteView byte)> on_bad_byte = {};
  std::function<void(Instant at)> on_break = {};
  // The other side asks for settings, lines or a break; before the bytes that came after it.
  std::function<void(Instant at, const LineRequest& request)> on_request = {};
  // Something happened at the port that is neither bytes nor its end, in words.
  std::function<void(Instant at, const std::string& what)> on_note = {};
  // LineBit values of the lines that this port can hear, and which of them changed.
  std::function<void(Instant at, std::uint32_t asserted, std::uint32_t changed)> on_lines = {};
  // How many more the driver has counted; never all zero. After the bytes they came with.
  std::function<void(Instant at, const LineCounts& more)> on_counts = {};
};

class Driver {
 public:
  // Both must outlive the driver.
  static std::unique_ptr<Driver> Create(Clock& clock);
  virtual ~Driver() = default;

  virtual Clock& clock() = 0;

  // `port` must outlive the driver or be removed first.
  virtual void AddPort(Port& port, PortHandlers handlers) = 0;
  virtual void RemovePort(Port& port) = 0;

  // Queues bytes; they are written as the port takes them, in order. Unbounded: the caller looks
  // at Unwritten() where a slow peer is likely.
  virtual void Write(Port& port, ByteView bytes) = 0;
  virtual std::size_t Unwritten(const Port& port) const = 0;
  // Reading from this port pauses while true (to push back on a fast sender).
  virtual void PauseReading(Port& port, bool paused) = 0;

  virtual TimerId SetTimer(Instant at, std::function<void(Instant now)> call) = 0;
  virtual void CancelTimer(TimerId id) = 0;

  // Watches another descriptor for reading (keys, a child's output, a pidfd); 0 removes nothing.
  virtual void WatchReadable(int descriptor, std::function<void(Instant now)> call) = 0;
  virtual void Unwatch(int descriptor) = 0;

  // From here on, as long as the driver lives, SIGINT and SIGTERM call this instead of ending the
  // program. One that comes while Run() does not run is told as soon as it does.
  virtual void OnInterrupt(std::function<void(Instant now)> call) = 0;

  // Runs until Stop(). A failure of the loop itself ends it too.
  virtual Status Run() = 0;
  virtual void Stop() = 0;
};

}  // namespace witness
