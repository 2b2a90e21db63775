// What the relay benchmarks share: ptys, and programs that pass bytes between two of them.
#pragma once

#include <sys/types.h>

#include <cstddef>
#include <cstdint>
#include <string>

namespace relay_bench {

constexpr int kPatienceMs = 60'000;

// Says what failed and why (errno), and ends the program with 3.
[[noreturn]] void Die(const std::string& what);

// CLOCK_MONOTONIC in nanoseconds.
std::int64_t Now();

// Something that passes bytes between `module` (a master of ours) and `host` (a side we opened).
struct Relay {
  pid_t child = -1;
  int module = -1;
  int host = -1;
};

// `record --between`, its capture and its link in `folder`.
Relay StartBytewitness(const std::string& program, const std::string& folder);

// The least that a relay can do, as a program of its own (RunBareLoop), as what it is compared
// with: a fork of this one would find its memory still warm from here.
Relay StartBareLoop();

// Poll, read, write. `host` is a descriptor that came with the start, `module` the name of a port.
[[noreturn]] void RunBareLoop(int host, const char* module);

// Microseconds that 16 bytes take from one descriptor to the other; ends the program if they do
// not come out as they went in.
double OneDelay(int from, int to, unsigned char mark);

// Compares the delay through both, in turn; JSON lines for tests/bench/run.
int Delay(const std::string& program, const std::string& folder, int messages);

}  // namespace relay_bench
