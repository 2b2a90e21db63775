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

  bool operator==(const SilenceThreshold&) const = default;
};

enum class Framing : std::uint8_t {
  kNone = 0,
  kModbusRtu = 1,
  kModbusAscii = 2,
  kNmea = 3,
  kSlip = 4,
  kHdlc = 5,
};

// A command that comes back without its ending, the answer behind it on the same line.
enum class BareEcho : std::uint8_t {
  kNone = 0,
  kUntold = 1,  // the answer may as well repeat what was asked: stamps are no finer
  kGiven = 2,
};

const char* FramingName(Framing framing);  // "Modbus RTU"; "" for none

constexpr Duration kLongestUsualTurnaround = Duration::Seconds(2);

struct Conventions {
  SilenceThreshold silence;
  bool host_heard = false;
  bool module_heard = false;
  bool unknown_heard = false;
  // Commands are lines of text that end with CR and/or LF; false: they end by silence or answer.
  bool terminated_commands = false;
  bool terminated_replies = false;  // replies are lines of text that end with CR and/or LF
  bool lf_cr = false;               // lines end with LF CR
  // CR or LF: the last byte of (nearly) every answer when the host speaks again; 0: it differs.
  char answers_last = 0;
  bool result_codes = false;  // replies end with a V.250 result code
  bool echo = false;          // the module gives back what it is sent
  BareEcho bare_echo = BareEcho::kNone;
  bool one_line_replies = false;  // each reply is one line, with its ending
  // Of several commands that wait for an answer one gets it, and the others were not heard.
  bool one_of_several = false;
  // Last lines that answers end with ("done\r\n"), or what they end with in place of a line ("> ").
  std::vector<Bytes> answer_ends;
  // A character in place of CR or LF that each command or answer ends with (';'); 0: none.
  char command_mark = 0;
  std::size_t command_mark_times = 1;  // so many of it: FF FF FF
  char answer_mark = 0;
  bool answers_always_end = false;  // no answer was seen without its result code or such an end
  Framing framing = Framing::kNone;
  // Beginnings of lines that the module says unasked, up to a ':' or ',' ("+JOIN:"), or whole;
  // numbers in them stand as one 0. One character: all lines that begin with it.
  std::vector<Bytes> unasked_heads;
  // The same of blocks: what those have at this place that the module says unasked.
  std::size_t mark_at = 0;
  Bytes unasked_marks;
  // What the banner at the start begins with, as BannerHeadOf() has it, if that comes in place of
  // answers, later than any: the module began anew.
  Bytes restart_head;
  // Lines that come a silence after the answer to a command of that sort, and only then: its second
  // answer; or its only one, later than answers are waited for. Both as ValueSortOf() has them.
  struct SecondAnswer {
    Bytes command, line;
    bool likely = false;  // else it was seen too seldom to be told from one that nobody asked for

    bool operator==(const SecondAnswer&) const = default;
  };
  std::vector<SecondAnswer> second_answers;
  // 95th percentile; zero if unknown. No longer than kLongestUsualTurnaround: what takes longer is
  // a long silence, and how long does not matter.
  Duration usual_turnaround;
  Duration quick_turnaround;  // one in ten answers comes as soon; zero if unknown

  // Whether `line`, without its ending, begins as such do.
  bool HasUnaskedHead(ByteView line) const;
  bool IsUnaskedBlock(ByteView bytes) const {
    return bytes.size() > mark_at && unasked_marks.find(bytes[mark_at]) != Bytes::npos;
  }
  // Whether it shows in an answer's own bytes when it is complete.
  bool ends_known() const {
    return result_codes || one_line_replies || answer_mark != 0 || !answer_ends.empty();
  }
  bool both_sides() const { return host_heard && module_heard; }
  bool operator==(const Conventions&) const = default;
};

}  // namespace witness
