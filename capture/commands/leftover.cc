#include "capture/commands/leftover.h"

#include <signal.h>
#include <unistd.h>

#include <climits>
#include <cstring>

#include "capture/commands/command.h"

namespace witness {
namespace {

constexpr int kMost = 4;
// Written only while the signals are held back, read by their handler.
char paths[kMost][PATH_MAX];
struct sigaction before[2];
int living = 0;
constexpr int kSignals[2] = {SIGINT, SIGTERM};

extern "C" void TakeAway(int) {
  for (auto& path : paths) {
    if (path[0] == 0) continue;
    if (::unlink(path) == 0) continue;
    const std::size_t size = std::strlen(path);
    if (size + 5 > PATH_MAX) continue;
    path[size] = '/';
    for (int number = 0; number < 1000; ++number) {
      char* end = path + size + 1;
      if (number >= 100) *end++ = static_cast<char>('0' + number / 100);
      if (number >= 10) *end++ = static_cast<char>('0' + number / 10 % 10);
      *end++ = static_cast<char>('0' + number % 10);
      *end = 0;
      ::unlink(path);
    }
    path[size] = 0;
    ::rmdir(path);
  }
  ::_exit(kExitInterrupted);
}

class HeldBack {
 public:
  HeldBack() {
    sigset_t set;
    sigemptyset(&set);
    for (const int signal : kSignals) sigaddset(&set, signal);
    ::sigprocmask(SIG_BLOCK, &set, &before_);
  }
  ~HeldBack() { ::sigprocmask(SIG_SETMASK, &before_, nullptr); }

 private:
  sigset_t before_;
};

}  // namespace

Leftover::Leftover(const std::string& path) {
  if (path.size() + 1 > PATH_MAX) return;
  const HeldBack held;
  for (int i = 0; i < kMost && place_ < 0; ++i)
    if (paths[i][0] == 0) place_ = i;
  if (place_ < 0) return;
  std::memcpy(paths[place_], path.c_str(), path.size() + 1);
  if (living++ > 0) return;
  struct sigaction action {};
  action.sa_handler = TakeAway;
  sigfillset(&action.sa_mask);
  for (int i = 0; i < 2; ++i) ::sigaction(kSignals[i], &action, &before[i]);
}

Leftover::~Leftover() {
  if (place_ < 0) return;
  const HeldBack held;
  paths[place_][0] = 0;
  if (--living > 0) return;
  for (int i = 0; i < 2; ++i) ::sigaction(kSignals[i], &before[i], nullptr);
}

}  // namespace witness
