// Plays one part. Does no I/O and reads no clock: the caller gives bytes and the time, and gets
// what to send and when to ask again. So the same player serves a pty in real time, an emulator in
// virtual time and a unit test in no time.
//
//   Player player(part);
//   player.Start(now);
//   for (;;) {
//     player.Advance(now, sends);      // send all of them, in order
//     wait for bytes or for player.NextAt(), whichever is first
//     player.Receive(now, bytes);      // if bytes came; then Advance again
//   }
//
// Times given must not decrease. How bytes are cut into calls of Receive makes no difference as
// long as their times are the same. Sends are planned from due times, not from when they were
// fetched, so that a late caller does not make everything later. Movable; one thread at a time.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "replay/part/cue.h"
#include "replay/part/part.h"

namespace trial {

enum class SaidSort : std::uint8_t {
  kAnswer = 1,
  kEcho = 2,
  kUnasked = 3,
  kUnknownAnswer = 4,  // to a command that no rule knows
  kCommand = 5,        // playing the host
};

// What is to be sent, and when it was to be sent.
struct Send {
  Instant due;
  Bytes bytes;
  SaidSort sort = SaidSort::kAnswer;
  std::uint32_t command = 0;  // belongs to the how-many-th command, from 1; 0: to none
  bool operator==(const Send&) const = default;
};

// A command as it was taken from the other side.
struct TakenCommand {
  Bytes bytes;    // with its terminator
  Instant from;   // first byte
  Instant to;     // last byte
  Instant taken;  // when it was known to have ended
  bool by_silence = false;
  bool known = false;
  int rule = -1;           // index in Part::rules; -1: none
  std::uint32_t turn = 0;  // Answer::turn of the answer it got
  bool operator==(const TakenCommand&) const = default;
};

// Playing the host: what came back for an ask.
struct HeardAnswer {
  Bytes bytes;
  Instant asked;              // when the command was due
  Instant from;               // first byte; meaningless if `bytes` is empty
  Instant to;                 // last byte
  std::vector<Piece> pieces;  // as delivered; the first one's `after` is since `asked`
  bool operator==(const HeardAnswer&) const = default;
};

class Player {
 public:
  explicit Player(Part part);

  // Time zero of the part: `at` of unasked lines counts from here.
  void Start(Instant now);

  // Bytes from the other side, read at `now`.
  void Receive(Instant now, ByteView bytes);

  // Moves time on to `now` (commands may end by silence) and appends what is due at or before it.
  void Advance(Instant now, std::vector<Send>& out);

  // When Advance has something to do again if nothing is received; Never if nothing waits.
  Instant NextAt() const;

  // Nothing is planned but what repeats for ever; a host has asked and heard everything.
  bool Idle() const;

  const Part& part() const { return part_; }

  // Module: in the order taken.
  const std::vector<TakenCommand>& commands() const { return commands_; }
  // Module: bytes that came but have not ended as a command ends.
  ByteView unfinished() const { return pending_; }
  // Host: one for each ask that was sent; the last may still be growing.
  const std::vector<HeardAnswer>& answers() const { return heard_; }

 private:
  struct Planned {
    Send send;
    std::uint64_t order = 0;
  };

  void ReceiveAsModule(Instant now, ByteView bytes);
  void ReceiveAsHost(Instant now, ByteView bytes);
  bool Absorb(Instant now, char byte);
  std::size_t TerminatorAtEnd() const;
  void EndBySilence(Instant now);
  std::size_t LostInSleep(ByteView bytes) const;
  void Take(Instant taken, bool by_silence);
  const Answer* FindAnswer(TakenCommand& command);
  void PlanEcho(Instant at, ByteView bytes);
  void PlanPieces(Instant base, const std::vector<Piece>& pieces, SaidSort sort,
                  std::uint32_t command, Instant* end);
  void Plan(Send send);
  void PlanUnaskedUpTo(Instant now);
  void AdvanceHost(Instant now);
  Instant HostOverAt() const;
  Instant HostNextAskAt() const;

  Part part_;
  std::vector<CompiledCue> cues_;
  std::vector<std::size_t> times_;   // how often each rule has answered
  std::vector<Instant> unasked_at_;  // next time of each unasked line; Never: done or by command
  std::vector<Planned> planned_;     // sorted by due, then order
  std::uint64_t order_ = 0;

  Bytes pending_;
  Instant last_heard_;  // by a module that may fall asleep
  Instant pending_from_;
  Instant pending_to_;
  Bytes absorbing_;  // terminator that ended the last command and may be growing
  Instant echo_until_;
  Instant busy_until_;  // the last planned answer is out
  std::vector<TakenCommand> commands_;

  std::size_t next_ask_ = 0;
  bool asking_ = false;  // an answer is waited for
  Instant last_over_;    // last byte of the answer before
  std::vector<HeardAnswer> heard_;
};

}  // namespace trial
