// What was seen in one trial: what the subject sent, got, printed, and how it ended. Plain values;
// the same for a program on a pty, a port and an emulated sketch. Judged by judge/.
//
// All times count from the moment the part began to play, on the subject's clock: real for programs
// and ports, virtual for the emulator.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "replay/play/player.h"

namespace trial {

enum class SubjectEnding : std::uint8_t {
  kUnspecified = 0,
  kExited = 1,        // by itself, with `exit_status`
  kSignalled = 2,     // by `signal`, which we did not send
  kOutOfTime = 3,     // still there at the end of its time; ended by us
  kOver = 4,          // a subject that never ends by itself (a board) was watched to the end
  kCrashed = 5,       // emulated: wild jump, illegal instruction, stack overflow
  kReset = 6,         // emulated or watched: it started anew in the middle
  kHung = 7,          // emulated: makes no progress
  kDisconnected = 8,  // the port went away
};

// Bytes that we sent.
struct Said {
  Send send;
  Instant sent;  // when the write was done; in virtual time: when the last stop bit was through
  bool operator==(const Said&) const = default;
};

struct Printed {
  Instant at;
  bool errors = false;  // standard error
  Bytes bytes;
  bool operator==(const Printed&) const = default;
};

// Something about resources or the subject's inside that a judge or a person should know.
struct Remark {
  // "orphan": processes left behind; "unread": bytes of earlier replies that were not read when a
  // command came; "overrun": bytes lost in the receive buffer; "reset": restarted; "stack";
  // others as they come. One word, lower case.
  std::string kind;
  Instant at;
  std::string text;  // in words, safe to print
  std::uint64_t count = 0;
  bool operator==(const Remark&) const = default;
};

struct Observations {
  std::vector<TakenCommand> commands;  // as the player took them
  std::vector<HeardAnswer> answers;    // we played the host: what the module answered
  Bytes unfinished;                    // came, but never ended as a command ends
  std::vector<Said> said;
  std::vector<Printed>
      printed;  // what it printed (programs: both streams; boards: what is watched)
  SubjectEnding ending = SubjectEnding::kUnspecified;
  int exit_status = 0;
  int signal = 0;
  std::string ending_words;        // more about a crash, reset or hang; may be empty
  Instant ended;                   // exit, or when we stopped watching
  Duration cpu_time;               // user and system, of the whole process tree that was reaped
  std::uint64_t unread_bytes = 0;  // sent by us, never read by the subject
  // How long, since its first command, its main thread was ready to run and had no processor: the
  // machine's doing, not the subject's.
  Duration starved;
  // How long a send had been due, and was not made, when it ended: our own lateness, too.
  Duration overdue;
  // It used the processor in other processes or threads than its first, too; `starved` does not
  // tell of those.
  bool has_helpers = false;
  std::vector<Remark> remarks;
  bool virtual_time = false;
  std::string port_name;  // differs from trial to trial, so it is left out of what is compared
  // Conversation as it crossed the line, for --keep; times as above.
  std::vector<witness::OwnedEvent> conversation;
};

// All that was printed to standard output (or, with `errors`, to standard error), in order.
Bytes PrintedText(const Observations& observations, bool errors);

// The schema's TrialObservations in binary form, for worker processes (without `conversation`).
Bytes SerializeObservations(const Observations& observations);
witness::Result<Observations> DeserializeObservations(ByteView bytes);

}  // namespace trial
