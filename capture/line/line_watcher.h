// Waits for changes of CTS, DSR, DCD and RI on a thread of its own, since Linux has no other way
// than an ioctl that blocks (TIOCMIWAIT), and asking an adapter for its lines may block as well.
//
// A pulse that is over when the lines are read is told by the driver's counters: both its edges are
// delivered, with the same time. A change in the moment between two waits is seen at the next
// change or Nudge().
//
// The thread is interrupted by a signal (SIGURG, whose default is to do nothing), so Stop() returns
// within some milliseconds whatever the driver does.
#pragma once

#include <atomic>
#include <mutex>
#include <thread>
#include <vector>

#include "capture/line/port.h"

namespace witness {

class LineWatcher {
 public:
  // `descriptor` must stay open until Stop(). `before` are the lines as the caller knows them.
  LineWatcher(int descriptor, ModemLines before);
  ~LineWatcher();
  LineWatcher(const LineWatcher&) = delete;
  LineWatcher& operator=(const LineWatcher&) = delete;

  // Readable when Take() has something. Negative: could not be made, nothing will come.
  int poll_handle() const { return event_; }

  // Changes since the call before, oldest first.
  std::vector<LineChange> Take();

  // Makes the thread look again if the driver has counted changes that it has not seen. Cheap.
  void Nudge();

  // Ends the thread. The descriptor may be closed afterwards. Done by the destructor too.
  void Stop();

 private:
  struct Edges {
    int cts = 0, dsr = 0, dcd = 0, ri = 0;
    bool operator==(const Edges&) const = default;
  };
  void Watch();
  // True: a counter moved and its line did not; a second look a moment later is the last.
  bool Note(bool last_look);
  void Push(std::int64_t at_ns, std::uint32_t asserted, std::uint32_t changed);
  Edges ReadEdges() const;

  const int descriptor_;
  int event_ = -1;
  std::atomic<bool> stop_{false};
  std::atomic<bool> ended_{false};
  std::mutex mutex_;
  std::uint32_t asserted_ = 0;  // the thread's
  Edges seen_;                  // under mutex_
  struct Stamped {
    std::int64_t at_ns = 0;  // CLOCK_MONOTONIC
    LineChange change;
  };
  std::vector<Stamped> changes_;
  std::thread thread_;
};

// TIOCMGET in LineBit values. kUnsupported where the line has no modem lines.
Result<ModemLines> ReadModemLines(int descriptor, const std::string& name);

}  // namespace witness
