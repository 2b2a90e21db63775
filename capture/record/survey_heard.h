// What is made of one command and what came back: readable or not, echo, answer, timing. Pure.
#pragma once

#include <optional>

#include "capture/base/line_settings.h"
#include "capture/profile/profile.h"
#include "capture/record/exchange_collector.h"

namespace witness {

// Printable ASCII, tab, CR or LF; and what may frame a text: NUL, STX, ETX, XON, XOFF and the like.
bool IsPlainByte(char c);
bool IsTextFraming(char c);
// At least two bytes of text and nothing else, but for two of framing at either end.
bool Readable(ByteView bytes);

// Text but for the eighth bit, and that a parity bit, even or odd, or a stop bit: this rate,
// another format.
bool IsOtherFormat(ByteView bytes);
bool IsAllHigh(ByteView bytes);  // the eighth bit is always 1: it may be a stop bit

// How many bytes at the front of what was heard are the command coming back, with line endings that
// a command before may have left in front of it. Where the ending may be the echo's or the reply's
// own, the longest pause tells.
std::size_t EchoLength(const Heard& heard);

// What was heard, without the echo.
Bytes Body(const Heard& heard);

Bytes Lower(ByteView text);
Bytes Upper(ByteView text);

// Without line endings at either end.
Bytes Words(ByteView text);

// True if `text` is `wanted` with at most one run of bytes put in, as by something said unasked;
// `front` is then where.
bool IsWithInsertion(const Bytes& text, const Bytes& wanted, std::size_t& front);

// A reply's timing, its echo left out.
struct ReplyTiming {
  std::optional<Duration> turnaround;
  std::vector<std::uint32_t> piece_sizes;  // bytes of each piece
  Duration longest_pause;                  // between two pieces
};
// Reads that lie closer together than this are one piece, since bytes of one burst reach us in
// several reads: 5 ms, or three character times.
Duration PieceGap(const LineSettings& line);
ReplyTiming TimingOf(const Heard& heard, const LineSettings& line);

// `heard` without what is known to be said unasked, wherever it stands whole.
struct Without {
  bool any = false;           // something was left out
  bool times_spoilt = false;  // and not only behind all that is left
};
Heard WithoutUnasked(const Heard& heard, const std::vector<ProfileUnsolicited>& known,
                     Without& without);

// Whether a run of bytes that stood inside an answer may be a saying of its own: long enough, and
// with a line ending or at one end of the answer. A figure that has one digit more is none.
bool MayBeUnasked(ByteView run, bool at_an_end);

// Whether a run of bytes that stood inside an answer is what a line picks up: too short to be said.
bool MayBeNoise(ByteView run);

// What was heard while nothing was asked, saying by saying: one ends with an LF or before a pause;
// a line ending that stands before a line belongs to it.
std::vector<Heard> Sayings(const Heard& heard);

// `text` with each figure ("41", "-71" without its sign) as one '0': answers that differ in figures
// only have the same shape.
Bytes Shape(ByteView text);

// How many bytes at the front came while the command was still leaving and are the command with
// some characters lost: an echo that was garbled, for nothing is answered before it was asked.
std::size_t GarbledEchoLength(const Heard& heard);
bool IsGarbledEcho(const Heard& heard);  // more than one character of it

// Whether what was answered could hardly come of another rate or format: a word that modules say,
// or characters of many kinds. What is left of the command itself does not count, nor how often
// the same came, for a module says the same again at any rate.
bool IsTelling(const std::vector<Heard>& answers);

// Counts a try and keeps the events of it (of the first some forty).
void AddEvidence(Basis& basis, const Heard& heard);

}  // namespace witness
