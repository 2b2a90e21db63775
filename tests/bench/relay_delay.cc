// How much later bytes come out of `record --between` than they went in, against a bare loop.
//
// Where a relay runs decides more than what it does: bytes that have to wake another processor
// took twice as long here as those that stay on one, and left to itself the kernel keeps a relay
// for a while where it happens to be; two bare loops then differ by as much. So each round runs all
// relays on the same processor: the one whose side sends and takes, or another.
#include <sched.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <ctime>
#include <vector>

#include "tests/bench/relays.h"

namespace relay_bench {
namespace {

constexpr std::size_t kRounds = 15;                // of each placement
constexpr double kQuiet = 0.12;                    // of a processor, that others may take
constexpr std::int64_t kLongest = 90'000'000'000;  // ns; then the quietest rounds there were

// No two messages of a line follow each other at once.
void Pause(int i) {
  const timespec pause = {0, 200'000 + 10'000 * (i % 50)};
  nanosleep(&pause, nullptr);
}

double Percentile(std::vector<double> values, double share) {
  std::sort(values.begin(), values.end());
  return values[static_cast<std::size_t>(share * static_cast<double>(values.size() - 1))];
}

// Seconds of processor time used since this machine started, by all but these.
double UsedByOthers(const std::vector<pid_t>& ours) {
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

std::vector<int> Processors() {
  cpu_set_t may;
  CPU_ZERO(&may);
  std::vector<int> out;
  if (sched_getaffinity(0, sizeof may, &may) != 0) Die("sched_getaffinity");
  for (int i = 0; i < CPU_SETSIZE; ++i)
    if (CPU_ISSET(i, &may)) out.push_back(i);
  return out;
}

void Pin(pid_t process, int processor) {
  cpu_set_t only;
  CPU_ZERO(&only);
  CPU_SET(processor, &only);
  if (sched_setaffinity(process, sizeof only, &only) != 0) Die("sched_setaffinity");
}

enum Which : std::size_t { kOurs, kBare, kAgain };  // two bare loops: what comparing is worth
using Relays = std::array<Relay, 3>;

// What one round saw, p50 and p99 of each relay in microseconds, and how much of a processor other
// programs took meanwhile.
struct Round {
  std::array<double, 3> p50, p99;
  double others = 0;
};

Round Measure(const Relays& relays, int messages, int turn) {
  const std::vector<pid_t> all = {getpid(), relays[0].child, relays[1].child, relays[2].child};
  for (const Relay& relay : relays) {  // not measured: moves to where it is to be
    OneDelay(relay.module, relay.host, 'a');
    OneDelay(relay.host, relay.module, 'a');
  }
  std::array<std::vector<double>, 3> took;
  const std::int64_t began = Now();
  const double used = UsedByOthers(all);
  for (int i = 0; i < messages; ++i) {
    const auto mark = static_cast<unsigned char>('A' + i % 26);
    for (const bool to_host : {true, false}) {
      for (std::size_t next = 0; next < relays.size(); ++next) {
        const std::size_t which = (next + static_cast<std::size_t>(i + turn)) % relays.size();
        const Relay& relay = relays[which];
        Pause(i);
        took[which].push_back(OneDelay(to_host ? relay.module : relay.host,
                                       to_host ? relay.host : relay.module, mark));
      }
    }
  }
  Round out;
  out.others = (UsedByOthers(all) - used) / (static_cast<double>(Now() - began) * 1e-9);
  for (std::size_t which = 0; which < relays.size(); ++which) {
    out.p50[which] = Percentile(took[which], 0.5);
    out.p99[which] = Percentile(took[which], 0.99);
  }
  return out;
}

struct Spread {
  double middle = 0;
  double half = 0;  // half the distance between the quartiles
};

Spread Of(const std::vector<Round>& rounds, double (*value)(const Round&)) {
  std::vector<double> values;
  for (const Round& round : rounds) values.push_back(value(round));
  return {Percentile(values, 0.5), (Percentile(values, 0.75) - Percentile(values, 0.25)) / 2};
}

// The quietest rounds, in one line for p50 and one for p99.
void Print(const char* where, std::vector<Round> rounds) {
  std::sort(rounds.begin(), rounds.end(),
            [](const Round& a, const Round& b) { return a.others < b.others; });
  if (rounds.size() > kRounds) rounds.resize(kRounds);
  const auto line = [&](const char* what, const Spread& ratio, const Spread& bare,
                        const Spread& microseconds) {
    std::printf(
        "{\"figure\": \"delay through record --between, %s, %s, against a bare relay loop\", "
        "\"value\": %.3f, \"spread\": %.3f, \"wanted\": \"<= 1.2\", \"note\": \"%.0f us for 16 "
        "bytes, %zu rounds, others took up to %.0f %% of a processor; two bare loops against each "
        "other %.3f +- %.3f\"}\n",
        what, where, ratio.middle, ratio.half, microseconds.middle, rounds.size(),
        100 * std::max(0.0, rounds.back().others), bare.middle, bare.half);
  };
  line("p50", Of(rounds, [](const Round& r) { return r.p50[kOurs] / r.p50[kBare]; }),
       Of(rounds, [](const Round& r) { return r.p50[kAgain] / r.p50[kBare]; }),
       Of(rounds, [](const Round& r) { return r.p50[kOurs]; }));
  line("p99", Of(rounds, [](const Round& r) { return r.p99[kOurs] / r.p99[kBare]; }),
       Of(rounds, [](const Round& r) { return r.p99[kAgain] / r.p99[kBare]; }),
       Of(rounds, [](const Round& r) { return r.p99[kOurs]; }));
}

}  // namespace

int Delay(const std::string& program, const std::string& folder, int messages) {
  const std::vector<int> processors = Processors();
  const std::size_t placements = std::min<std::size_t>(processors.size(), 2);
  const Relays relays = {StartBytewitness(program, folder), StartBareLoop(), StartBareLoop()};
  std::array<std::vector<Round>, 2> rounds;
  std::array<std::size_t, 2> quiet = {};
  const int in_a_round = std::max<int>(messages / static_cast<int>(kRounds * placements), 10);
  const std::int64_t began = Now();
  for (int turn = 0; Now() - began < kLongest; ++turn) {
    bool enough = true;
    for (std::size_t apart = 0; apart < placements; ++apart) {
      if (quiet[apart] >= kRounds) continue;
      enough = false;
      // In turn, so that a busy processor is the sender's as often as the relay's.
      const std::size_t first = static_cast<std::size_t>(turn) % placements;
      Pin(0, processors[first]);
      for (const Relay& relay : relays) Pin(relay.child, processors[(first + apart) % placements]);
      rounds[apart].push_back(Measure(relays, in_a_round, turn));
      if (rounds[apart].back().others <= kQuiet) ++quiet[apart];
    }
    if (enough) break;
  }
  for (const Relay& relay : relays) {
    kill(relay.child, SIGINT);
    waitpid(relay.child, nullptr, 0);
  }
  Print("on one processor with who sends and takes", rounds[0]);
  if (placements > 1) Print("on another processor", rounds[1]);
  return 0;
}

}  // namespace relay_bench
