#include "capture/line/alarm.h"

#include <sys/timerfd.h>
#include <unistd.h>

#include <ctime>

namespace witness {

Alarm::Alarm(Clock& clock)
    : clock_(clock), descriptor_(timerfd_create(CLOCK_MONOTONIC, TFD_CLOEXEC | TFD_NONBLOCK)) {}

Alarm::~Alarm() {
  if (descriptor_ >= 0) close(descriptor_);
}

bool Alarm::SetFor(Instant at) {
  if (at >= set_for_) return true;
  const Duration left = at - clock_.Now();
  if (left <= Duration::Zero() || !Set(left)) return false;
  set_for_ = at;
  return true;
}

void Alarm::GoneOff() {
  set_for_ = Instant::Never();
  Set(Duration::Zero());
}

bool Alarm::Set(Duration in) {
  itimerspec when = {};
  when.it_value.tv_sec = static_cast<time_t>(in.ns() / 1'000'000'000);
  when.it_value.tv_nsec = static_cast<long>(in.ns() % 1'000'000'000);
  return timerfd_settime(descriptor_, 0, &when, nullptr) == 0;
}

}  // namespace witness
