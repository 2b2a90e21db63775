#include "tests/bench/relays.h"

#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <termios.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>

namespace relay_bench {
namespace {

constexpr std::size_t kMessage = 16;

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

}  // namespace

void Die(const std::string& what) {
  std::fprintf(stderr, "relay_bench: %s: %s\n", what.c_str(), std::strerror(errno));
  std::exit(3);
}

std::int64_t Now() {
  timespec now = {};
  clock_gettime(CLOCK_MONOTONIC, &now);
  return std::int64_t{now.tv_sec} * 1'000'000'000 + now.tv_nsec;
}

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

void RunBareLoop(int host, const char* module) {
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

}  // namespace relay_bench
