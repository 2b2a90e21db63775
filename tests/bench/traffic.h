// Made-up traffic of the kinds that serial lines carry, for benchmarks: the same at every run.
//
// The modules are those of the demo scenario. Times are those of a host that reads a USB adapter:
// the adapter hands bytes over each millisecond (or in 64-byte packets), the host's scheduler adds
// noise down to the nanosecond.
#pragma once

#include <string>
#include <vector>

#include "capture/store/event.h"

namespace witness {

struct Traffic {
  std::string name;
  Bytes storage;  // what the events' views point into
  std::vector<Event> events;
  Instant end;
};

// AT dialogue; AT, 1 byte a read; NMEA 10 Hz; Modbus; firmware burst; NMEA 1 Hz. About `events`
// events of each.
inline constexpr std::size_t kTrafficClasses = 6;
Traffic TrafficOf(std::size_t which, std::size_t events);  // which: below kTrafficClasses
std::vector<Traffic> AllTraffic(std::size_t events);

}  // namespace witness
