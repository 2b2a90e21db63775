// System calls on serial lines that may block for long, made interruptible: a thread that blocks in
// one is sent SIGURG, whose handler does nothing, so that the call returns with EINTR.
#pragma once

#include <pthread.h>

#include <functional>

#include "capture/base/instant.h"

namespace witness {

// Gives SIGURG an empty handler without SA_RESTART, unless the program has one of its own.
void PrepareInterruption();

// Interrupts what `thread` blocks in. Its signal mask must let SIGURG pass; see BlockOtherSignals.
void InterruptThread(pthread_t thread);

// Makes the threads that are created while it lives leave all signals but SIGURG to the others.
class BlockOtherSignals {
 public:
  BlockOtherSignals();
  ~BlockOtherSignals();
  BlockOtherSignals(const BlockOtherSignals&) = delete;
  BlockOtherSignals& operator=(const BlockOtherSignals&) = delete;

 private:
  sigset_t kept_;
};

// Runs `call` on a thread of its own and interrupts it after `limit`, again and again until it
// returns. False: it had to be interrupted.
bool RunInterruptibly(const std::function<void()>& call, Duration limit);

}  // namespace witness
