// What a port delivers through the driver, collected as it came: for tests of ports and of captures
// alike. One line of text an item, so that a whole conversation can be compared at once.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "capture/line/driver.h"

namespace witness::line_bench {

class Heard {
 public:
  explicit Heard(Port& port);
  ~Heard();

  // Runs the driver until `done`, at most `within`. Returns whether `done` came true.
  bool Until(const std::function<bool()>& done, Duration within = Duration::Seconds(3));
  // Runs it that long.
  void For(Duration length);

  void Write(ByteView text) { driver_->Write(port_, text); }

  Bytes bytes;                     // all, bad ones included
  std::vector<std::string> items;  // "bytes OK", "bad F", "break", "lines cts=0", "parity 1", ...
  bool ended = false;
  ReadOutcome end_outcome = ReadOutcome::kNothingYet;
  Instant ended_at;
  MonotonicClock clock;

 private:
  Port& port_;
  std::unique_ptr<Driver> driver_;
};

}  // namespace witness::line_bench
