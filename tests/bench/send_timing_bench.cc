// How punctual the live player's sends are: 10 ms apart, against a bare loop that sleeps, then
// looks at the clock, then writes one byte to a pty, in the same run. Prints both and the ratio of
// their 99th percentiles.
//
//   send_timing_bench [SENDS]      (1000: some 20 s)
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>

#include "capture/line/pty.h"
#include "replay/judge/trials.h"
#include "replay/play/live.h"

namespace {

using trial::Duration;
using trial::Instant;

constexpr Duration kApart = Duration::Milliseconds(10);
constexpr int kTurns = 20;
constexpr Duration kSpin = Duration::Microseconds(300);

std::vector<Duration> BareLoop(int sends) {
  auto pty = witness::PtyPort::Create();
  if (!pty.ok()) return {};
  witness::MonotonicClock clock;
  std::vector<Duration> errors;
  for (int i = 1; i <= sends; ++i) {
    const Instant due = Instant() + kApart * i;
    const Duration left = due - clock.Now() - kSpin;
    if (left > Duration::Zero()) {
      const timespec pause = {left.ns() / 1'000'000'000, left.ns() % 1'000'000'000};
      nanosleep(&pause, nullptr);
    }
    Instant now = clock.Now();
    while (now < due) now = clock.Now();
    if (!(*pty)->Write("x").ok()) return {};
    errors.push_back(clock.Now() - due);
  }
  return errors;
}

std::vector<Duration> LivePlayer(int sends) {
  trial::Part part;
  trial::Unasked beat;
  beat.at = beat.every = kApart;
  beat.pieces = {{Duration::Zero(), "x"}};
  part.unasked = {beat};
  auto pty = witness::PtyPort::Create();
  if (!pty.ok()) return {};
  witness::MonotonicClock clock;
  const auto driver = witness::Driver::Create(clock);
  trial::Player player(part);
  std::vector<Duration> errors;
  trial::LiveHooks hooks;
  hooks.on_said = [&](const trial::Send& send, Instant sent) {
    errors.push_back(sent - send.due);
    // Nobody reads at the other end.
    if (errors.size() % 256 == 0) (*pty)->DiscardUnread().Ignore();
    if (static_cast<int>(errors.size()) >= sends) driver->Stop();
  };
  trial::LivePlayer live(player, *driver, **pty, kSpin, std::move(hooks));
  live.Start();
  driver->Run().Ignore();
  return errors;
}

trial::SendTiming Show(const char* name, const std::vector<Duration>& errors) {
  const trial::SendTiming t = trial::TimingOf(errors);
  std::printf("%-12s %6llu sends  p50 %8.2f us  p99 %8.2f us  max %8.2f us\n", name,
              static_cast<unsigned long long>(t.sends), static_cast<double>(t.p50.ns()) / 1e3,
              static_cast<double>(t.p99.ns()) / 1e3, static_cast<double>(t.most.ns()) / 1e3);
  return t;
}

}  // namespace

int main(int argc, char** argv) {
  const int sends = std::max(argc > 1 ? std::atoi(argv[1]) : 1000, kTurns);
  // In turns, so that both meet the same machine.
  std::vector<Duration> bare;
  std::vector<Duration> live;
  for (int turn = 0; turn < kTurns; ++turn) {
    for (const Duration e : BareLoop(sends / kTurns)) bare.push_back(e);
    for (const Duration e : LivePlayer(sends / kTurns)) live.push_back(e);
    if (isatty(STDERR_FILENO) != 0)
      std::fprintf(stderr, "\r%d of %d%s", turn + 1, kTurns, turn + 1 == kTurns ? "\r\033[K" : "");
  }
  const auto b = Show("bare loop", bare);
  const auto l = Show("live player", live);
  std::printf(
      "ratio of p99: %.2f (wanted: at most 1.5)\n",
      static_cast<double>(l.p99.ns()) / static_cast<double>(std::max<std::int64_t>(b.p99.ns(), 1)));
  return 0;
}
