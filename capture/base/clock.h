// Where time comes from. Engines never hold a Clock: they are given the time.
#pragma once

#include <cstdint>

#include "capture/base/instant.h"

namespace witness {

class Clock {
 public:
  virtual ~Clock() = default;
  // Never goes back. Counts from the clock's own zero.
  virtual Instant Now() = 0;
};

// CLOCK_MONOTONIC counted from construction.
class MonotonicClock : public Clock {
 public:
  MonotonicClock();
  Instant Now() override;

 private:
  std::int64_t start_ns_;
};

// Wall-clock time in nanoseconds since 1970-01-01T00:00:00Z. For a capture's header only.
std::int64_t WallClockNanoseconds();

}  // namespace witness
