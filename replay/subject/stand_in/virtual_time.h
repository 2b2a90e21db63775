// The virtual clock of stand-ins: one for each thread. Whatever the code under test calls moves it
// on, and everything that is due in between happens in order.
#pragma once

#include <string>
#include <vector>

#include "capture/base/instant.h"

namespace trial {

using witness::Duration;
using witness::Instant;

// Something with its own due times.
class TimedThing {
 public:
  virtual ~TimedThing() = default;
  virtual Instant NextAt() const = 0;
  // `now` is at or behind NextAt(), which is then later than `now`.
  virtual void Work(Instant now) = 0;
};

class VirtualTime {
 public:
  static VirtualTime& Current();

  // The first one puts the clock to zero. `thing` must leave before it is destroyed.
  void Join(TimedThing* thing);
  void Leave(TimedThing* thing);

  Instant now() const { return now_; }
  // Throws bytewitness::OutOfTime, which names `call`, if that leads beyond the limit.
  void Pass(Duration duration, const char* call);
  // One look at a port or the clock: 4 µs. Gives back the time after it.
  Instant Look(const char* call);
  // Passes until `done` gives true.
  template <typename Done>
  void PassUntil(Done done, const char* call) {
    while (!done()) Pass(kStep, call);
  }
  void Limit(Duration from_now) { limit_ = now_ + from_now; }
  // A thing has something to do earlier than it said.
  void LookAgain() { next_ = Instant(); }

 private:
  static constexpr Duration kStep = Duration::Microseconds(4);
  void PassTo(Instant at, const char* call);

  Instant now_;
  Instant next_ = Instant::Never();  // nothing is due before, as far as is known
  Instant limit_ = Instant() + Duration::Seconds(60);
  std::vector<TimedThing*> things_;
};

}  // namespace trial
