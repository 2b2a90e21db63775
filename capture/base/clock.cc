#include "capture/base/clock.h"

#include <ctime>

namespace witness {
namespace {

std::int64_t ReadClock(clockid_t id) {
  timespec t{};
  clock_gettime(id, &t);
  return static_cast<std::int64_t>(t.tv_sec) * 1'000'000'000 + t.tv_nsec;
}

}  // namespace

MonotonicClock::MonotonicClock() : start_ns_(ReadClock(CLOCK_MONOTONIC)) {}

Instant MonotonicClock::Now() {
  return Instant::FromNanoseconds(ReadClock(CLOCK_MONOTONIC) - start_ns_);
}

std::int64_t WallClockNanoseconds() { return ReadClock(CLOCK_REALTIME); }

}  // namespace witness
