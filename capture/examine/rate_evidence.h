// How well what was heard at one rate fits a way of setting the line. Pure.
//
// A receiver that is set to 8N1 hears what a sender of 7E1 or 8E1 says too, in a form that gives
// the sender away: the parity bit stands where the eighth data bit or the stop bit would be. So one
// stretch heard in 8N1 is evidence for and against several formats.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/line_settings.h"

namespace witness {

// What was heard while the port was set to one rate and format.
struct Sitting {
  LineSettings settings;
  Duration length;
  Bytes bytes;
  std::vector<bool> bad;  // of each byte: it came with a framing or parity error, or was a break
  // Errors that the driver counted beyond those it marked.
  std::uint32_t more_errors = 0;

  void Add(ByteView more, bool are_bad) {
    bytes.append(more);
    bad.resize(bytes.size(), are_bad);
  }
};

struct RateEvidence {
  // Weights for and against these settings, as logarithms to base 2 of likelihood ratios against
  // rubbish; a floor, not an estimate. `against` is negative or zero.
  double speaks_for = 0;
  double against = 0;
  double bits() const { return speaks_for + against; }
  std::uint64_t heard = 0;   // bytes judged: the first few may be the end of a character half heard
  std::uint64_t errors = 0;  // of them, as these settings would have it
  std::uint64_t text = 0;    // of them: printable ASCII, CR, LF or tab
  std::uint64_t varied =
      0;  // different pairs of neighbours: what repeats itself proves nothing more
  // Lines of text, as CR LF twice or one of the two four times would have it, and none otherwise.
  bool in_lines = false;
  // Frames whose checksum is right and openings of open protocols: "NMEA 0183 sentences", ...
  std::vector<std::string> known;
};

// True if `sitting` says something about `format` (rate and all): heard in that format itself, or
// in 8N1 for the formats that can be told from it.
bool SaysSomethingOf(const Sitting& sitting, const LineSettings& format);

// `errors_are_told`: this port has been seen to report errors, so that none means something.
RateEvidence Weigh(const Sitting& sitting, const LineSettings& format, bool errors_are_told);

}  // namespace witness
