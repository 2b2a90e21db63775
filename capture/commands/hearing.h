// A capture that `listen` made: one line heard at several rates, one after the other.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/base/result.h"
#include "capture/store/capture_reader.h"

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

// "9600 8N1" as the notes have it. Nothing: no settings.
std::optional<LineSettings> ParseSettings(std::string_view text);

// Looks at the first event; reads on to the end only if this is a hearing (they are short). Errors
// as those of CaptureReader::Open.
Result<Hearing> FindHearing(const std::string& capture);

// What commands that take a capture for one line at one rate look at.
struct OneLine {
  // Of a capture heard at several settings the longest time at the best, which is no part that the
  // person chose, and how it was heard; else as asked for.
  ReaderOptions reading;
  // "heard at 19200 8N1, the best of 6 settings"; empty if the capture is of one line at one rate.
  std::string title;
  // The same for a person, safe to print: which other settings, and how to see more.
  std::string words;
};

// `chosen`: `asked` holds a part that the person chose, which is left as it is; `can_choose`: the
// command has --from and --to. Errors as those of FindHearing.
Result<OneLine> OneLineOf(const std::string& capture, const ReaderOptions& asked, bool chosen,
                          bool can_choose = true);

// "9600 8N1, 19200 8N1 and 12 more", without `but`; safe to print.
std::string SettingsHeard(const Hearing& hearing, const std::string& but = "");

}  // namespace witness
