// A part: what one side of a conversation will say, and to what. The plain form of trial.proto's
// Part. Built from a capture's exchanges, read from a textproto, or made by a variation of another
// part. A value: copying is cheap enough, comparing is exact.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/store/event.h"

namespace trial {

using witness::Bytes;
using witness::ByteView;
using witness::Duration;
using witness::Instant;

// Bytes said in one go. `after`: silence since the end of the piece before; for the first piece,
// since the command was recognised (ended), which makes it the turnaround.
struct Piece {
  Duration after;
  Bytes bytes;
  bool operator==(const Piece&) const = default;
};

struct Answer {
  std::vector<Piece> pieces;  // none: silence
  // The how-many-th command of the recorded conversation got this answer, from 1; 0: none.
  std::uint32_t turn = 0;
  bool operator==(const Answer&) const = default;
};

enum class Match : std::uint8_t {
  kExact = 1,           // the command's bytes with their ending
  kIgnoringEnding = 2,  // line endings at the end of both are left out of the comparison
  kPattern = 3,         // RE2 regular expression over the whole command without its ending
};

struct Cue {
  Match match = Match::kIgnoringEnding;
  Bytes text;
  bool ignore_case = false;
  bool operator==(const Cue&) const = default;
};

// A command and what is answered: the n-th time it comes, answers[n]; the last one repeats.
struct Rule {
  Cue cue;
  std::vector<Answer> answers;
  bool operator==(const Rule&) const = default;
};

// How the end of a command is known. Both may be set: whichever comes first.
struct CommandEnd {
  // The first that is seen ends the command at once. If it begins a longer one ("\r" of "\r\n")
  // and the rest follows, that rest still belongs to the command.
  std::vector<Bytes> terminators;
  std::optional<Duration> silence;  // taken after this long without a byte
  bool operator==(const CommandEnd&) const = default;
};

enum class Echo : std::uint8_t { kOff = 0, kByCharacter = 1, kWhole = 2 };

// How the answer to a command is found.
enum class Following : std::uint8_t {
  kLookUp = 1,   // the next answer of the first rule that knows the command
  kInOrder = 2,  // the n-th command gets the answer with turn n, whatever the command says
};

// Said without being asked: at a time, or before or after the answer to the n-th command.
struct Unasked {
  std::optional<Duration> at;                  // since the part began to play
  std::optional<std::uint32_t> after_command;  // after the answer to the n-th command (from 1)
  std::optional<Duration> every;               // with `at`: again and again
  std::vector<Piece> pieces;
  std::optional<std::uint32_t> before_command = std::nullopt;  // before that answer
  bool operator==(const Unasked&) const = default;
};

// Playing the host: a command, and what is expected to come back.
struct Ask {
  Duration after;  // silence since the answer to the one before was over
  Bytes bytes;
  std::vector<Piece> expect;                     // as recorded; none: silence
  Duration wait = Duration::Seconds(2);          // for the first byte of the answer
  Duration quiet = Duration::Milliseconds(500);  // an answer is over after this long silence
  bool operator==(const Ask&) const = default;
};

// How bytes stand on the wire. Only an emulated sketch has a wire; a pty or a port of this computer
// knows nothing of it.
struct Waveform {
  double rate_percent = 0;         // the sender is so much faster than the line's rate says
  double jitter_percent = 0;       // each edge inside a byte is moved by up to ± so much of a bit
  double stop_bits = 1;            // how long the line is high behind a byte, at least
  double glitch_percent = 0;       // of a bit: width of a low pulse on the idle line; 0: none
  std::uint32_t glitch_every = 8;  // bytes from one pulse to the next
  bool break_before = false;       // a break in front of each answer
  bool operator==(const Waveform&) const = default;
};

struct Part {
  std::string name;
  witness::Side plays = witness::Side::kModule;
  witness::LineSettings line;
  CommandEnd command_end;
  Echo echo = Echo::kOff;
  Duration echo_delay;  // the echo comes this much late; the answer waits for it
  std::vector<Rule> rules;
  std::optional<Answer> unknown;  // to a command that no rule knows; none: silence
  std::vector<Unasked> unasked;
  std::vector<Ask> asks;  // only if `plays` is kHost
  Following following = Following::kLookUp;
  Waveform waveform;
  // Then it sleeps, and the next byte only wakes it and is lost.
  std::optional<Duration> sleeps_after;
  bool operator==(const Part&) const = default;
};

// All bytes of an answer's pieces, one behind the other.
Bytes JoinPieces(const std::vector<Piece>& pieces);

}  // namespace trial
