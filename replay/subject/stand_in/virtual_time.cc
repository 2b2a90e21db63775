#include "replay/subject/stand_in/virtual_time.h"

#include <algorithm>

#include "bytewitness/stand_in.h"
#include "capture/base/text.h"

namespace trial {

VirtualTime& VirtualTime::Current() {
  static thread_local VirtualTime current;
  return current;
}

void VirtualTime::Join(TimedThing* thing) {
  if (things_.empty()) {
    now_ = Instant();
    limit_ = Instant() + Duration::Seconds(60);
  }
  things_.push_back(thing);
  LookAgain();
}

void VirtualTime::Leave(TimedThing* thing) { std::erase(things_, thing); }

void VirtualTime::Pass(Duration duration, const char* call) { PassTo(now_ + duration, call); }

Instant VirtualTime::Look(const char* call) {
  PassTo(now_ + kStep, call);
  return now_;
}

void VirtualTime::PassTo(Instant at, const char* call) {
  while (next_ <= at) {
    Instant first = Instant::Never();
    for (const TimedThing* thing : things_) first = std::min(first, thing->NextAt());
    if (first > at) {
      next_ = first;
      break;
    }
    now_ = std::max(now_, first);
    next_ = now_;
    for (TimedThing* thing : things_)
      if (thing->NextAt() <= now_) thing->Work(now_);
  }
  now_ = at;
  if (now_ > limit_)
    throw bytewitness::OutOfTime("the sketch has not come back after " +
                                 witness::FormatDuration(now_ - Instant()) +
                                 " of virtual time; it was in " + call + "()");
}

}  // namespace trial
