// A clock that moves only when a test moves it.
#pragma once

#include "capture/base/clock.h"

namespace witness {

class FakeClock : public Clock {
 public:
  Instant Now() override { return now_; }
  void Advance(Duration by) { now_ = now_ + by; }
  void MoveTo(Instant at) {
    if (at > now_) now_ = at;
  }

 private:
  Instant now_;
};

}  // namespace witness
