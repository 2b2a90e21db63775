// A capture that `listen` made: one line heard at several rates, one after the other.
#pragma once

#include <string>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace witness {

// The notes that `listen` leaves in its capture.
inline constexpr const char* kChangingTo = "changing to ";    // and the settings: asked for
inline constexpr const char* kListeningAt = "listening at ";  // and the settings: now they hold
inline constexpr const char* kFitsBest = "fits best: ";       // and the settings; at the end

struct Hearing {
  std::vector<std::string> settings;  // in the order in which they were tried; empty: no hearing
  std::string best;                   // empty: none fitted
  Instant from;                       // the longest time at the best, without its end
  Instant to;
};

// Looks at the first event; reads on to the end only if this is a hearing (they are short). Errors
// as those of CaptureReader::Open.
Result<Hearing> FindHearing(const std::string& capture);

}  // namespace witness
