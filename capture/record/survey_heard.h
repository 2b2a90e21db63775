// What is made of one command and what came back: readable or not, echo, answer, timing. Pure.
#pragma once

#include <optional>

#include "capture/base/line_settings.h"
#include "capture/profile/profile.h"
#include "capture/record/exchange_collector.h"

namespace witness {

// At least two bytes, all of them printable ASCII, tab, CR or LF.
bool Readable(ByteView bytes);

// How many bytes at the front of what was heard are the command coming back.
std::size_t EchoLength(const Heard& heard);

// What was heard, without the echo.
Bytes Body(const Heard& heard);

Bytes Lower(ByteView text);

// True if `text` is `wanted` with at most one run of bytes put in, as by something said unasked;
// `front` is then where.
bool IsWithInsertion(const Bytes& text, const Bytes& wanted, std::size_t& front);

// A reply's timing, its echo left out.
struct ReplyTiming {
  std::optional<Duration> turnaround;
  std::vector<std::uint32_t> piece_sizes;  // bytes of each piece
  Duration longest_pause;                  // between two pieces
};
// Reads that lie closer together than some character times are one piece: bytes of one burst reach
// us in several reads.
ReplyTiming TimingOf(const Heard& heard, const LineSettings& line);

// Counts a try and keeps the events of it (of the first some forty).
void AddEvidence(Basis& basis, const Heard& heard);

}  // namespace witness
