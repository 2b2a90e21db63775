// What standing between two ports costs: `bytewitness record --between` on ptys.
//
//   relay_bench delay BYTEWITNESS [--messages N]
//       How much later bytes come out than they went in, both ways, against a bare loop that reads
//       and writes, in turn with it, all on processors of our choice; JSON lines for
//       tests/bench/run. Of rounds during which other programs took more than 12 % of a processor
//       as many are taken as there are quiet ones missing after 90 s.
//   relay_bench load BYTEWITNESS (--bytes N | --seconds N) [--burners N]
//       3 Mbaud (300 000 bytes a second) both ways, paced with --seconds, as fast as they are taken
//       with --bytes, while other processes burn the processors. Every byte that comes out, and
//       every byte of the capture, must be the one that went in. Exit status 1 if one is not.
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "capture/store/capture_reader.h"
#include "tests/bench/relays.h"

namespace {

using relay_bench::Die;
using relay_bench::kPatienceMs;
using relay_bench::Now;
using relay_bench::Relay;
using witness::Side;

constexpr double kBytesPerSecond = 300'000;  // 3 Mbaud, 8N1

// Byte `i` of what one side says: no period that a lost block could hide in.
char ByteAt(std::uint64_t i, bool from_module) {
  std::uint64_t x = i + (from_module ? 0x9E3779B97F4A7C15u : 1);
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
  return static_cast<char>(x ^ (x >> 31));
}

struct Direction {
  const char* name;
  bool from_module;
  int from, to;
  std::uint64_t sent = 0, came = 0, changed = 0, held_up = 0;
};

void SendSome(Direction& d, std::uint64_t due) {
  char buffer[4096];
  while (d.sent < due) {
    const std::size_t n = std::min<std::uint64_t>(sizeof buffer, due - d.sent);
    for (std::size_t i = 0; i < n; ++i) buffer[i] = ByteAt(d.sent + i, d.from_module);
    const ssize_t taken = write(d.from, buffer, n);
    if (taken < 0 && errno == EAGAIN) {
      d.held_up = std::max(d.held_up, due - d.sent);
      return;
    }
    if (taken < 0) Die("write");
    d.sent += static_cast<std::uint64_t>(taken);
  }
}

void TakeSome(Direction& d) {
  char buffer[65536];
  for (;;) {
    const ssize_t n = read(d.to, buffer, sizeof buffer);
    if (n <= 0) return;
    for (ssize_t i = 0; i < n; ++i)
      if (buffer[i] != ByteAt(d.came++, d.from_module)) ++d.changed;
  }
}

bool CaptureHolds(const std::string& path, const std::vector<Direction>& directions) {
  auto reader = witness::CaptureReader::Open(path);
  if (!reader.ok()) {
    std::fprintf(stderr, "%s\n", reader.status().message().c_str());
    return false;
  }
  std::uint64_t count[2] = {0, 0}, changed = 0;
  witness::Event event;
  while ((*reader)->Next(event) == witness::CaptureReader::Outcome::kEvent) {
    if (event.kind == witness::EventKind::kGap) ++changed;
    if (event.kind != witness::EventKind::kBytes) continue;
    const bool from_module = event.side == Side::kModule;
    for (const char c : event.bytes)
      if (c != ByteAt(count[from_module]++, from_module)) ++changed;
  }
  std::printf("capture: %llu and %llu bytes, %llu changed, %s\n",
              static_cast<unsigned long long>(count[1]), static_cast<unsigned long long>(count[0]),
              static_cast<unsigned long long>(changed),
              (*reader)->ending().closed_cleanly ? "closed cleanly" : "NOT closed cleanly");
  bool right = changed == 0 && (*reader)->ending().closed_cleanly;
  for (const Direction& d : directions) right = right && count[d.from_module] == d.sent;
  return right;
}

int Load(const std::string& program, const std::string& folder, std::uint64_t bytes, double seconds,
         int burners) {
  const Relay relay = relay_bench::StartBytewitness(program, folder);
  std::vector<pid_t> burning;
  for (int i = 0; i < burners; ++i) {
    burning.push_back(fork());
    if (burning.back() == 0)
      for (volatile std::uint64_t spin = 0;;) spin = spin + 1;
  }
  fcntl(relay.module, F_SETFL, O_NONBLOCK);
  std::vector<Direction> both = {{"module to host", true, relay.module, relay.host},
                                 {"host to module", false, relay.host, relay.module}};
  if (bytes == 0) bytes = static_cast<std::uint64_t>(seconds * kBytesPerSecond);
  const std::int64_t began = Now();
  std::int64_t last = began;
  for (;;) {
    const double elapsed = static_cast<double>(Now() - began) * 1e-9;
    const std::uint64_t due =
        seconds > 0 ? std::min(bytes, static_cast<std::uint64_t>(elapsed * kBytesPerSecond))
                    : bytes;
    const std::uint64_t before = both[0].came + both[1].came + both[0].sent + both[1].sent;
    for (Direction& d : both) SendSome(d, due);
    for (Direction& d : both) TakeSome(d);
    if (both[0].came >= bytes && both[1].came >= bytes) break;
    if (before != both[0].came + both[1].came + both[0].sent + both[1].sent) last = Now();
    if (Now() - last > std::int64_t{kPatienceMs} * 1'000'000) break;  // lost
    pollfd wait[2] = {{relay.module, POLLIN, 0}, {relay.host, POLLIN, 0}};
    poll(wait, 2, 1);
  }
  const double took = static_cast<double>(Now() - began) * 1e-9;
  for (const pid_t one : burning) {
    kill(one, SIGKILL);
    waitpid(one, nullptr, 0);
  }
  kill(relay.child, SIGINT);
  int status = 0;
  waitpid(relay.child, &status, 0);
  bool right = WIFEXITED(status) && WEXITSTATUS(status) == 130;
  for (const Direction& d : both) {
    std::printf("%s: %llu bytes in %.1f s, %llu lost, %llu changed, at most %llu held up\n", d.name,
                static_cast<unsigned long long>(d.sent), took,
                static_cast<unsigned long long>(d.sent - std::min(d.sent, d.came)),
                static_cast<unsigned long long>(d.changed),
                static_cast<unsigned long long>(d.held_up));
    right = right && d.sent == bytes && d.came == bytes && d.changed == 0;
  }
  right = CaptureHolds(folder + "/capture.witness", both) && right;
  std::printf("%s\n", right ? "every byte came through, and into the capture" : "NOT every byte");
  return right ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  const std::string what = argc > 2 ? argv[1] : "";
  if (what == "bare" && argc == 4)
    relay_bench::RunBareLoop(std::atoi(argv[2]), argv[3]);  // see StartBareLoop
  int messages = 3000, burners = 0;
  std::uint64_t bytes = 0;
  double seconds = 0;
  for (int i = 3; i + 1 < argc; i += 2) {
    const std::string option = argv[i];
    if (option == "--messages") messages = std::atoi(argv[i + 1]);
    if (option == "--bytes") bytes = std::strtoull(argv[i + 1], nullptr, 10);
    if (option == "--seconds") seconds = std::atof(argv[i + 1]);
    if (option == "--burners") burners = std::atoi(argv[i + 1]);
  }
  if ((what != "delay" && what != "load") || (what == "load" && bytes == 0 && seconds <= 0)) {
    std::fprintf(stderr,
                 "relay_bench delay BYTEWITNESS [--messages N]\n"
                 "relay_bench load BYTEWITNESS (--bytes N | --seconds N) [--burners N]\n");
    return 2;
  }
  char folder[] = "/tmp/relay_bench.XXXXXX";
  if (mkdtemp(folder) == nullptr) Die("mkdtemp");
  const int status = what == "delay" ? relay_bench::Delay(argv[2], folder, std::max(messages, 300))
                                     : Load(argv[2], folder, bytes, seconds, burners);
  for (const char* name : {"/host", "/capture.witness"})
    unlink((std::string(folder) + name).c_str());
  rmdir(folder);
  return status;
}
