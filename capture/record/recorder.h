// Turns what ports deliver into events of one capture.
//
// All times are the driver's clock, counted from `began`. Everything runs on the driver's thread.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "capture/line/driver.h"
#include "capture/line/open_port.h"
#include "capture/store/capture_info.h"
#include "capture/store/capture_writer.h"

namespace witness {

class Recorder {
 public:
  // `driver` and `writer` must outlive the recorder. `began` is Instant 0 of the capture on the
  // driver's clock.
  Recorder(Driver& driver, CaptureWriter& writer, Instant began);
  ~Recorder();
  Recorder(const Recorder&) = delete;
  Recorder& operator=(const Recorder&) = delete;

  // Handlers for Driver::AddPort that record all that a port delivers as said by `side`. `then`
  // gets the bytes after nothing but their stamp was taken, before they are recorded, so that
  // passing them on is not held up. A port that goes away is recorded as a gap; then `on_end`.
  PortHandlers Handlers(
      Side side, std::function<void(Instant at, ByteView bytes)> then = {},
      std::function<void(Instant at, ReadOutcome why, const Status& status)> on_end = {});

  // Events of our own making; `event.at` is on the driver's clock. Handed on to the watchers and to
  // the writer. Index of the event in the capture.
  std::uint64_t Record(Event event);
  void RecordBytes(Instant at, Side side, ByteView bytes);
  void Note(Instant at, std::string_view text);

  // From here on bytes that ports deliver are only kept at first, and recorded many at a time:
  // within `longest`, before any other event, and before anything that looks at the capture.
  // Whoever waits for bytes that a relay passes on may sit on this processor, so recording one by
  // one would hold them up.
  void HoldBytes(Duration longest);
  // Records what is kept.
  void RecordHeld();

  // Sees every event after it was recorded, with `at` counted from the capture's beginning.
  void Watch(std::function<void(const Event&)> watcher);

  // Called once, when the writer fails; nothing is recorded from then on.
  void OnFailure(std::function<void(const Status&)> call);
  const Status& status() const { return status_; }

  // Events recorded so far, not counting those kept (HoldBytes): the index that the next one gets.
  std::uint64_t events() const { return events_; }
  std::uint64_t payload_bytes() const { return bytes_; }
  // When the last byte came or went, on the driver's clock; the beginning if none.
  Instant last_byte() const { return last_byte_; }
  Instant began() const { return began_; }

  // From here on events go into another capture, which began at `began` on the driver's clock, and
  // so does what is still held. The writer before is the caller's to close. Counts and indices
  // begin anew.
  void ContinueIn(CaptureWriter& next, Instant began);

  // Closes the capture; the outcome of the first failure, if there was one. Once.
  Status Close();

 private:
  struct Held {
    Instant at;
    Side side = Side::kUnknown;
    std::size_t size = 0;
  };

  void Keep(Instant at, Side side, ByteView bytes);
  std::uint64_t RecordNow(Event event);
  void Arm();
  void Fail(const Status& status);

  Driver& driver_;
  CaptureWriter* writer_;
  Instant began_;
  Instant last_byte_;
  std::uint64_t events_ = 0;
  std::uint64_t bytes_ = 0;
  Status status_;
  bool closed_ = false;
  std::optional<TimerId> timer_;
  std::optional<Duration> hold_for_;
  std::vector<Held> held_;
  Bytes held_bytes_;
  std::optional<TimerId> held_timer_;
  std::vector<std::function<void(const Event&)>> watchers_;
  std::function<void(const Status&)> on_failure_;
};

// What the capture's header says of a port that was opened and set.
Tap DescribeTap(const Port& port, Side hears, const LineSettings& asked, const LineSettings& got);

// Header of a capture that begins now on this machine.
CaptureInfo DescribeCapture(Origin origin, std::vector<Tap> taps);

}  // namespace witness
