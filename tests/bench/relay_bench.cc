// What standing between two ports costs: `bytewitness record --between` on ptys.
//
//   relay_bench delay BYTEWITNESS [--messages N]
//       How much later bytes come out than they went in, both ways, against a bare loop that reads
//       and writes, in turn with it; JSON lines for tests/bench/run. Rounds during which other
//       programs took more than 12 % of a processor are thrown away and repeated, for 40 s at most.
//   relay_bench load BYTEWITNESS (--bytes N | --seconds N) [--burners N]
//       3 Mbaud (300 000 bytes a second) both ways, paced with --seconds, as fast as they are taken
//       with --bytes, while other processes burn the processors. Every byte that comes out, and
//       every byte of the capture, must be the one that went in. Exit status 1 if one is not.
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <signal.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <functional>
#include <initializer_list>
#include <string>
#include <vector>

#include "capture/store/capture_reader.h"

namespace {

using witness::Side;

constexpr std::size_t kMessage = 16;
constexpr double kBytesPerSecond = 300'000;  // 3 Mbaud, 8N1
constexpr int kPatienceMs = 60'000;

[[noreturn]] void Die(const std::string& what) {
  std::fprintf(stderr, "relay_bench: %s: %s\n", what.c_str(), std::strerror(errno));
  std::exit(3);
}

std::int64_t Now() {
  timespec now = {};
  clock_gettime(CLOCK_MONOTONIC, &now);
  return std::int64_t{now.tv_sec} * 1'000'000'000 + now.tv_nsec;
}

struct Wire {
  int master = -1;
  int side = -1;  // kept open, so that nobody hangs up
  std::string name;
};

Wire MakeWire() {
  Wire wire;
  char name[128] = {};
  if (openpty(&wire.master, &wire.side, name, nullptr, nullptr) != 0) Die("openpty");
  termios raw = {};
  tcgetattr(wire.side, &raw);
  cfmakeraw(&raw);
  tcsetattr(wire.side, TCSANOW, &raw);
  for (const int one : {wire.master, wire.side}) fcntl(one, F_SETFD, FD_CLOEXEC);
  wire.name = name;
  return wire;
}

int OpenSide(const std::string& name) {
  const int descriptor = open(name.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
  if (descriptor < 0) Die(name);
  termios raw = {};
  tcgetattr(descriptor, &raw);
  cfmakeraw(&raw);
  tcsetattr(descriptor, TCSANOW, &raw);
  return descriptor;
}

bool Readable(int descriptor, int patience_ms) {
  pollfd one = {descriptor, POLLIN, 0};
  return poll(&one, 1, patience_ms) == 1;
}

double OneDelay(int from, int to, unsigned char mark);

// Something that passes bytes between `module` (a master of ours) and `host` (a side we opened).
struct Relay {
  pid_t child = -1;
  int module = -1;
  int host = -1;
};

Relay StartBytewitness(const std::string& program, const std::string& folder) {
  const Wire wire = MakeWire();
  const std::string link = folder + "/host";
  int talk[2];
  if (pipe(talk) != 0) Die("pipe");
  Relay out;
  out.child = fork();
  if (out.child == 0) {
    dup2(talk[1], 1);
    const std::string capture = folder + "/capture.witness";
    execl(program.c_str(), "bytewitness", "record", "--between", wire.name.c_str(), "--link",
          link.c_str(), "-o", capture.c_str(), "--baud", "3000000", "--durability", "relaxed",
          static_cast<char*>(nullptr));
    _exit(98);
  }
  close(talk[1]);
  char said = 0;  // the name of the port: it is there
  while (read(talk[0], &said, 1) == 1 && said != '\n') continue;
  if (said != '\n') Die("the program did not start");
  out.module = wire.master;
  out.host = OpenSide(link);
  return out;
}

// The least that a relay can do: poll, read, write. `host` is a descriptor that came with the
// start, `module` the name of a port.
[[noreturn]] void RunBareLoop(int host, const char* module) {
  const int far = OpenSide(module);
  pollfd both[2] = {{host, POLLIN, 0}, {far, POLLIN, 0}};
  char buffer[4096];
  for (;;) {
    poll(both, 2, -1);
    for (int i = 0; i < 2; ++i) {
      if ((both[i].revents & POLLIN) == 0) continue;
      const ssize_t n = read(both[i].fd, buffer, sizeof buffer);
      if (n > 0 && write(both[1 - i].fd, buffer, static_cast<std::size_t>(n)) != n) _exit(97);
    }
  }
}

// As a program of its own, as what it is compared with: a fork of this one would find its memory
// still warm from here.
Relay StartBareLoop() {
  const Wire module = MakeWire();
  const Wire host = MakeWire();
  Relay out;
  out.child = fork();
  if (out.child == 0) {
    fcntl(host.master, F_SETFD, 0);
    execl("/proc/self/exe", "relay_bench", "bare", std::to_string(host.master).c_str(),
          module.name.c_str(), static_cast<char*>(nullptr));
    _exit(98);
  }
  out.module = module.master;
  out.host = OpenSide(host.name);
  OneDelay(out.module, out.host, 'a');  // it runs
  return out;
}

double OneDelay(int from, int to, unsigned char mark) {
  char message[kMessage];
  std::memset(message, mark, sizeof message);
  const std::int64_t began = Now();
  if (write(from, message, sizeof message) != static_cast<ssize_t>(sizeof message)) Die("write");
  std::size_t got = 0;
  while (got < sizeof message) {
    if (!Readable(to, kPatienceMs)) Die("nothing comes out");
    char back[kMessage];
    const ssize_t n = read(to, back, sizeof back - got);
    if (n < 0 && errno != EAGAIN) Die("read");
    for (ssize_t i = 0; i < n; ++i)
      if (static_cast<unsigned char>(back[i]) != mark) Die("other bytes came out");
    if (n > 0) got += static_cast<std::size_t>(n);
  }
  return static_cast<double>(Now() - began) / 1000;
}

// No two messages of a line follow each other at once.
void Pause(int i) {
  const timespec pause = {0, 200'000 + 10'000 * (i % 50)};
  nanosleep(&pause, nullptr);
}

double Percentile(std::vector<double> values, double share) {
  std::sort(values.begin(), values.end());
  return values[static_cast<std::size_t>(share * static_cast<double>(values.size() - 1))];
}

struct Spread {
  double middle = 0;
  double half = 0;  // half the distance between the quartiles
};

Spread Of(const std::vector<double>& values) {
  return {Percentile(values, 0.5), (Percentile(values, 0.75) - Percentile(values, 0.25)) / 2};
}

// Seconds of processor time used since this machine started, by all, less what these have used.
double UsedByOthers(std::initializer_list<pid_t> ours) {
  const double tick = static_cast<double>(sysconf(_SC_CLK_TCK));
  double ticks = 0;
  if (std::FILE* all = std::fopen("/proc/stat", "r")) {
    double user = 0, nice = 0, system = 0, idle = 0, waiting = 0, hard = 0, soft = 0, stolen = 0;
    if (std::fscanf(all, "cpu %lf %lf %lf %lf %lf %lf %lf %lf", &user, &nice, &system, &idle,
                    &waiting, &hard, &soft, &stolen) == 8)
      ticks = user + nice + system + hard + soft + stolen;
    std::fclose(all);
  }
  for (const pid_t one : ours) {
    const std::string path = "/proc/" + std::to_string(one) + "/stat";
    if (std::FILE* stat = std::fopen(path.c_str(), "r")) {
      double user = 0, system = 0;
      if (std::fscanf(stat, "%*d (%*[^)]) %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %lf %lf",
                      &user, &system) == 2)
        ticks -= user + system;
      std::fclose(stat);
    }
  }
  return ticks / tick;
}

int Delay(const std::string& program, const std::string& folder, int messages) {
  const Relay ours = StartBytewitness(program, folder);
  const Relay bare = StartBareLoop();
  constexpr int kRounds = 15;
  constexpr double kQuiet = 0.12;                    // of a processor
  constexpr std::int64_t kLongest = 40'000'000'000;  // ns; then what there is has to do
  const Relay again = StartBareLoop();  // against `bare`: what the comparison itself is worth
  const Relay* const relays[3] = {&ours, &bare, &again};
  std::vector<double> middle, tail, our_middle, our_tail, none;
  const std::int64_t began = Now();
  int quiet = 0;
  for (int round = 0; quiet < kRounds && Now() - began < kLongest; ++round) {
    std::vector<double> took[3];
    const std::int64_t round_began = Now();
    const double others = UsedByOthers({getpid(), ours.child, bare.child, again.child});
    for (int i = 0; i < messages / kRounds; ++i) {
      const auto mark = static_cast<unsigned char>('A' + i % 26);
      for (const bool to_host : {true, false}) {
        for (int turn = 0; turn < 3; ++turn) {
          const int which = (turn + i + round) % 3;
          const Relay& relay = *relays[which];
          Pause(i);
          took[which].push_back(OneDelay(to_host ? relay.module : relay.host,
                                         to_host ? relay.host : relay.module, mark));
        }
      }
    }
    const double lasted = static_cast<double>(Now() - round_began) * 1e-9;
    if (UsedByOthers({getpid(), ours.child, bare.child, again.child}) - others > kQuiet * lasted)
      continue;
    ++quiet;
    middle.push_back(Percentile(took[0], 0.5) / Percentile(took[1], 0.5));
    tail.push_back(Percentile(took[0], 0.99) / Percentile(took[1], 0.99));
    none.push_back(Percentile(took[2], 0.5) / Percentile(took[1], 0.5));
    our_middle.push_back(Percentile(took[0], 0.5));
    our_tail.push_back(Percentile(took[0], 0.99));
  }
  for (const Relay* one : relays) {
    kill(one->child, SIGINT);
    waitpid(one->child, nullptr, 0);
  }
  if (quiet == 0) {
    std::fprintf(stderr, "relay_bench: other programs kept this machine busy; nothing measured\n");
    return 3;
  }
  const auto print = [quiet, same = Of(none)](const char* which, const Spread& ratio,
                                              const Spread& microseconds) {
    std::printf(
        "{\"figure\": \"delay through record --between, %s, against a bare relay loop\", "
        "\"value\": %.3f, \"spread\": %.3f, \"wanted\": \"<= 1.2\", \"note\": \"%.0f us each way, "
        "16 bytes, %d quiet rounds; p50 of two bare loops against each other %.3f +- %.3f\"}\n",
        which, ratio.middle, ratio.half, microseconds.middle, quiet, same.middle, same.half);
  };
  print("p50", Of(middle), Of(our_middle));
  print("p99", Of(tail), Of(our_tail));
  return 0;
}

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
  const Relay relay = StartBytewitness(program, folder);
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
  if (what == "bare" && argc == 4) RunBareLoop(std::atoi(argv[2]), argv[3]);  // see StartBareLoop
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
  const int status = what == "delay" ? Delay(argv[2], folder, std::max(messages, 300))
                                     : Load(argv[2], folder, bytes, seconds, burners);
  for (const char* name : {"/host", "/capture.witness"})
    unlink((std::string(folder) + name).c_str());
  rmdir(folder);
  return status;
}
