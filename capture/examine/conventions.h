// What a segmenter has taken for the ways of one line: how long a silence separates, how commands
// and replies end, whether the module echoes. Learnt from the first stretch of a capture, shown
// with reasons, and open to be set by a person.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/instant.h"
#include "capture/examine/segment.h"

namespace witness {

// How long nobody must speak for a boundary.
struct SilenceThreshold {
  Duration value = Duration::Milliseconds(100);
  bool set_by_person = false;
  // Whether gaps leave no doubt: those above are at least twice as long as those below.
  bool clear = true;
  // The gaps of the capture on both sides of the threshold; zero if there was none.
  Duration longest_below;
  Duration shortest_above;
  std::string why;  // in words, one line
};

enum class Framing : std::uint8_t {
  kNone = 0,
  kModbusRtu = 1,
  kModbusAscii = 2,
  kNmea = 3,
  kSlip = 4,
  kHdlc = 5,
};

const char* FramingName(Framing framing);  // "Modbus RTU"; "" for none

struct Conventions {
  SilenceThreshold silence;
  bool host_heard = false;
  bool module_heard = false;
  bool unknown_heard = false;
  // Commands are lines of text that end with CR and/or LF; false: they end by silence or answer.
  bool terminated_commands = false;
  bool result_codes = false;      // replies end with a V.250 result code
  bool echo = false;              // the module gives back what it is sent
  bool one_line_replies = false;  // each reply is one line
  Framing framing = Framing::kNone;
  // Beginnings of lines that the module says unasked, up to a ':' or ',' ("+JOIN:"), or whole.
  std::vector<Bytes> unasked_heads;
  Duration usual_turnaround;  // 95th percentile; zero if unknown

  bool both_sides() const { return host_heard && module_heard; }
};

}  // namespace witness
