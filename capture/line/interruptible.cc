#include "capture/line/interruptible.h"

#include <chrono>
#include <condition_variable>
#include <csignal>
#include <mutex>
#include <thread>

namespace witness {

void PrepareInterruption() {
  struct sigaction before = {};
  sigaction(SIGURG, nullptr, &before);
  if (before.sa_handler != SIG_DFL && before.sa_handler != SIG_IGN) return;
  struct sigaction action = {};
  action.sa_handler = [](int) {};
  sigemptyset(&action.sa_mask);
  sigaction(SIGURG, &action, nullptr);
}

void InterruptThread(pthread_t thread) { pthread_kill(thread, SIGURG); }

BlockOtherSignals::BlockOtherSignals() {
  sigset_t all;
  sigfillset(&all);
  sigdelset(&all, SIGURG);
  pthread_sigmask(SIG_SETMASK, &all, &kept_);
}

BlockOtherSignals::~BlockOtherSignals() { pthread_sigmask(SIG_SETMASK, &kept_, nullptr); }

bool RunInterruptibly(const std::function<void()>& call, Duration limit) {
  PrepareInterruption();
  std::mutex mutex;
  std::condition_variable changed;
  bool done = false;
  std::thread thread;
  {
    const BlockOtherSignals blocked;
    thread = std::thread([&] {
      call();
      const std::lock_guard lock(mutex);
      done = true;
      changed.notify_one();
    });
  }
  std::unique_lock lock(mutex);
  const auto finished = [&] { return done; };
  const bool in_time = changed.wait_for(lock, std::chrono::nanoseconds(limit.ns()), finished);
  // The signal may come just before the call blocks, or the call may block a second time.
  while (!done) {
    InterruptThread(thread.native_handle());
    changed.wait_for(lock, std::chrono::milliseconds(5), finished);
  }
  lock.unlock();
  thread.join();
  return in_time;
}

}  // namespace witness
