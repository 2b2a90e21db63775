// What is on trial: a program with a pty, a port, an emulated sketch.
#pragma once

#include <optional>
#include <string>

#include "capture/base/result.h"
#include "replay/part/part.h"
#include "replay/subject/observations.h"

namespace trial {

struct RunLimits {
  Duration within = Duration::Seconds(60);  // a trial longer than this is ended by us
  // When every command of the baseline was met and answered, a subject that never ends by itself is
  // watched for this long more.
  Duration linger = Duration::Milliseconds(1500);
  // How many commands the baseline saw; 0: not known (this is the baseline).
  std::size_t expected_commands = 0;
  // How many lines the baseline printed: one that has printed fewer when its commands are answered
  // is given more time than `linger`. Emulated subjects only.
  std::size_t expected_lines = 0;

  // For programs, which end by themselves or run for ever.
  // Not zero: one that still runs so long after all that was recorded has been said (or twice as
  // long as that took, if that is longer) runs for ever and is ended.
  Duration patience;
  std::size_t recorded_commands = 0;  // how many that is
  // Not zero: watched for so long, then ended.
  Duration watch;
  // Known to run for ever: ended when it begins its next command behind so many, or `linger` after
  // the answer to the last of them.
  std::optional<std::size_t> stop_behind;
};

class Subject {
 public:
  virtual ~Subject() = default;

  // For reports, safe to print: "program python3 butt-watch.py", "sketch build/sketch.elf".
  virtual std::string Describe() const = 0;

  // Words of the command line that puts this subject on trial again, shell-quoted: goes behind
  // "bytetrial run CAPTURE --vary ...": "-- python3 butt-watch.py {port}", "--sketch sketch.elf".
  virtual std::string CommandLine() const = 0;

  // True: time is virtual, so no verdict needs a repetition because of a busy machine.
  virtual bool virtual_time() const = 0;

  // How many trials may run at once: Run is then called from so many threads. A port: 1.
  virtual int most_at_once() const = 0;

  // One trial: plays `part` against a fresh subject until it ends or its time is over. Leaves no
  // process behind. A Status only where no trial took place (the program could not be started, no
  // such port); whatever the subject did wrong is in the observations. kInterrupted after
  // Interrupt.
  virtual witness::Result<Observations> Run(const Part& part, const RunLimits& limits) = 0;

  // Ends all runs soon. May be called from any thread and from none but once.
  virtual void Interrupt() {}
};

}  // namespace trial
