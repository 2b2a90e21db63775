// A line of a given rate on a pty, and the least that somebody who listens to it has to do: what a
// recorder's share of a processor is measured against (tests/bench/figures_captures.py).
//
//   pty_bench feed BAUD SECONDS   makes a pty, prints its name, waits for a reader, prints
//   "begins",
//                                 says 64 bytes at a time at that rate (8N1), prints "ends", rests
//                                 and hangs up
//   pty_bench pour BYTES          as fast as they are taken
//   pty_bench listen PORT         reads it 64 bytes at a time to its end; prints how many reads
//                                 there were, of how many bytes, and the CPU seconds it took
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <string>

namespace {

constexpr std::size_t kPiece = 64;

[[noreturn]] void Give(const char* what) {
  std::perror(what);
  std::exit(3);
}

void Rest(long ns) {
  const timespec pause{0, ns};
  ::nanosleep(&pause, nullptr);
}

// The master of a new pty that somebody listens to.
int OpenPty() {
  const int master = ::posix_openpt(O_RDWR | O_NOCTTY);
  if (master < 0 || ::grantpt(master) != 0 || ::unlockpt(master) != 0) Give("no pty");
  char name[64];
  if (::ptsname_r(master, name, sizeof name) != 0) Give("no pty");
  termios settings{};
  const int slave = ::open(name, O_RDWR | O_NOCTTY);
  if (slave < 0 || ::tcgetattr(slave, &settings) != 0) Give(name);
  ::cfmakeraw(&settings);
  ::tcsetattr(slave, TCSANOW, &settings);
  ::close(slave);
  std::printf("%s\n", name);
  std::fflush(stdout);
  // A master whose other side nobody has open is hung up.
  for (pollfd there{master, 0, 0}; ::poll(&there, 1, 0) > 0 && (there.revents & POLLHUP) != 0;) {
    Rest(1'000'000);
  }
  Rest(300'000'000);  // it may have more to open and to set up
  return master;
}

void Fill(std::array<char, kPiece>& piece, long number) {
  for (std::size_t k = 0; k < kPiece; ++k) {
    piece[k] = static_cast<char>(static_cast<std::size_t>(number) * 7 + k * k);
  }
}

double NowNs() {
  timespec at{};
  ::clock_gettime(CLOCK_MONOTONIC, &at);
  return static_cast<double>(at.tv_sec) * 1e9 + static_cast<double>(at.tv_nsec);
}

int Feed(double baud, double seconds) {
  const int master = OpenPty();
  std::printf("begins\n");
  std::fflush(stdout);
  std::array<char, kPiece> piece;
  const double between = kPiece * 10 / baud * 1e9;
  const double began = NowNs();
  const auto pieces = static_cast<long>(seconds * 1e9 / between);
  for (long i = 0; i < pieces; ++i) {
    Fill(piece, i);
    // A sleep takes longer than the pause: the clock is watched instead.
    while (NowNs() < began + static_cast<double>(i) * between) {
    }
    if (::write(master, piece.data(), kPiece) < 0) Give("write");
  }
  std::printf("ends\n");
  std::fflush(stdout);
  Rest(300'000'000);
  ::close(master);
  return 0;
}

int Pour(double bytes) {
  const int master = OpenPty();
  std::array<char, kPiece> piece;
  for (long i = 0; static_cast<double>(i) * kPiece < bytes; ++i) {
    Fill(piece, i);
    std::size_t done = 0;
    while (done < kPiece) {
      const ssize_t n = ::write(master, piece.data() + done, kPiece - done);
      if (n < 0) Give("write");
      done += static_cast<std::size_t>(n);
    }
  }
  Rest(300'000'000);
  ::close(master);
  return 0;
}

int Listen(const char* port) {
  const int file = ::open(port, O_RDONLY | O_NOCTTY);
  if (file < 0) Give(port);
  std::array<char, kPiece> piece;
  long reads = 0;
  long bytes = 0;
  for (ssize_t n = 0; (n = ::read(file, piece.data(), piece.size())) > 0; bytes += n) ++reads;
  timespec cpu{};
  ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &cpu);
  std::printf("{\"reads\": %ld, \"bytes\": %ld, \"cpu\": %.6f}\n", reads, bytes,
              static_cast<double>(cpu.tv_sec) + static_cast<double>(cpu.tv_nsec) * 1e-9);
  return 0;
}

}  // namespace

int main(int count, char** arguments) {
  const std::string what = count > 1 ? arguments[1] : "";
  if (what == "feed" && count == 4) return Feed(std::atof(arguments[2]), std::atof(arguments[3]));
  if (what == "pour" && count == 3) return Pour(std::atof(arguments[2]));
  if (what == "listen" && count == 3) return Listen(arguments[2]);
  std::fprintf(stderr, "pty_bench: feed BAUD SECONDS, pour BYTES, or listen PORT\n");
  return 2;
}
