// A descriptor that becomes readable when a time has come. Only the driver uses it.
//
// It stays set while ports come and go: a timeout of poll(2) is set and taken back with every wait,
// which costs each byte that is passed on about a microsecond.
#pragma once

#include "capture/base/clock.h"

namespace witness {

class Alarm {
 public:
  explicit Alarm(Clock& clock);
  ~Alarm();
  Alarm(const Alarm&) = delete;
  Alarm& operator=(const Alarm&) = delete;

  // Readable from `at` on; perhaps sooner too, since a time that was asked for before is kept.
  // False: `at` has come already, or there is no descriptor.
  bool SetFor(Instant at);
  // To be called when it was readable: it is not any more.
  void GoneOff();

  int descriptor() const { return descriptor_; }  // -1: the system gave none

 private:
  bool Set(Duration in);

  Clock& clock_;
  int descriptor_;
  Instant set_for_ = Instant::Never();
};

}  // namespace witness
