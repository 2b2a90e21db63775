// A child process that cannot get lost: in a session and process group of its own, without a
// terminal, found again by a mark in its environment, ended with all that it started.
//
// The first Start makes this process the reaper of orphaned descendants (prctl(2),
// PR_SET_CHILD_SUBREAPER), so that daemons of daemons are found too. Thread-safe between children.
#pragma once

#include <sys/types.h>

#include <map>
#include <string>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace trial {

struct ChildSetup {
  std::vector<std::string> arguments;              // [0] is looked for in PATH
  std::map<std::string, std::string> environment;  // added to ours
  // Descriptors of ours that become the child's 0, 1 and 2; -1: /dev/null. Left open here.
  int standard_input = -1;
  int standard_output = -1;
  int standard_error = -1;
};

struct ChildEnding {
  bool by_signal = false;
  int status = 0;              // exit status, or the signal
  witness::Duration cpu_time;  // user and system, with the descendants that it waited for
};

// Of the first thread of the child's main process alone.
struct ProcessorUse {
  witness::Duration ran;
  witness::Duration waited;  // ready to run, but no processor was free
};

class Child {
 public:
  Child() = default;
  ~Child();  // ends it by SIGKILL with all that it started
  Child(const Child&) = delete;
  Child& operator=(const Child&) = delete;

  // kIo, kNotFound or kInvalidArgument, with the program's name, if it cannot be started.
  witness::Status Start(const ChildSetup& setup);

  // Becomes readable when the child has ended.
  int ended_handle() const { return pidfd_; }

  // Zeros once it was waited for, or where the kernel does not tell.
  ProcessorUse Use() const;

  // Precondition: it has ended, or will soon.
  ChildEnding Wait();

  // To the child's process group.
  void Signal(int signal) const;

  // Living descendants, the child itself left out.
  std::vector<pid_t> Descendants() const;

  // Kills and reaps all descendants and the child. Returns when none is left (bounded: 2 s).
  void EndAll();

 private:
  pid_t pid_ = -1;
  int pidfd_ = -1;
  bool waited_ = false;
  unsigned long long started_ = 0;  // clock ticks since the machine booted
  std::string mark_;
};

}  // namespace trial
