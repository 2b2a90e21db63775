// One command and what is heard after it. Does no I/O and reads no clock: bytes and times go in,
// and it tells when listening may end.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"

namespace witness {

// How long to listen.
struct Patience {
  Duration wait = Duration::Seconds(2);          // for the first byte, from the command's end
  Duration quiet = Duration::Milliseconds(500);  // after the last byte: then the reply has ended
  // A line that never falls silent is listened to for so long, counted from the first byte.
  Duration at_most = Duration::Seconds(30);
  // Listened to for so long at least, from the command's end: what comes unasked before a reply is
  // then not taken for the reply.
  Duration at_least = Duration::Zero();
};

struct HeardPiece {
  Instant at;               // when it was read
  Bytes bytes;              // what one read delivered
  std::uint64_t event = 0;  // index in the capture
};

enum class HeardEnd : std::uint8_t {
  kQuiet,    // the reply ended: nothing came for `quiet`
  kNothing,  // nothing came within `wait`
  kTooLong,  // still talking after `at_most`
};

struct Heard {
  Bytes sent;
  std::uint64_t sent_event = 0;  // index in the capture, if anything was sent
  Instant sent_at;               // when the port took the bytes
  Instant sent_by;               // when the last of them has left, reckoned from the rate
  std::vector<HeardPiece> pieces;
  std::size_t bad_bytes = 0;  // of them, those with a parity or framing error, where that is told
  bool never_echoes = false;  // known of this module: what begins like the command is its answer
  bool echoes_no_ending = false;  // nor of any command the ending
  HeardEnd end = HeardEnd::kNothing;
  Instant ended_at;

  Bytes bytes() const {
    Bytes all;
    for (const HeardPiece& piece : pieces) all += piece.bytes;
    return all;
  }
  bool nothing() const { return pieces.empty(); }
};

class ExchangeCollector {
 public:
  explicit ExchangeCollector(const Patience& patience) : patience_(patience) {}

  // The command leaves now and will have left at `sent_by`. An empty command only listens.
  void Begin(Instant now, Instant sent_by, ByteView sent, std::uint64_t event);
  void OnBytes(Instant at, ByteView bytes, std::uint64_t event);
  void OnBadByte(Instant at, ByteView byte, std::uint64_t event);

  // When to call Done next, unless bytes come first. The command coming back is no reply: the wait
  // goes on behind it.
  Instant Deadline() const;
  // True: the exchange has ended and `heard()` is complete.
  bool Done(Instant now);

  const Heard& heard() const { return heard_; }

  // True while all that was heard may be the beginning of an echo.
  bool only_echo() const { return only_echo_; }

 private:
  Patience patience_;
  bool only_echo_ = true;
  std::size_t echoed_ = 0;  // bytes of the command that came back
  Heard heard_;
};

}  // namespace witness
