// How fast a capture is examined, against how fast its events are read: the same file, both as the
// program does them, in turn in one process. Prints a JSON line for each class of traffic.
//
//   examine_bench [EVENTS [ROUNDS [CLASS]]]   events of each class (4000000), measurements of each
//                                             (5), the only class to measure
//
// A million different ones are made at most, and said again and again, later each time.
//
// Speed is told by the clock on the wall and by the time of all processors together: reading and
// examining both work on more than one thread.
#include <sys/resource.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <string>
#include <string_view>
#include <vector>

#include "capture/examine/examination.h"
#include "capture/store/capture_reader.h"
#include "capture/store/capture_writer.h"
#include "tests/bench/traffic.h"

namespace witness {
namespace {

struct Stamp {
  double wall = 0, cpu = 0;  // seconds

  Stamp operator-(const Stamp& other) const { return {wall - other.wall, cpu - other.cpu}; }
};

double Clock(clockid_t clock) {
  timespec t{};
  ::clock_gettime(clock, &t);
  return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}

Stamp Now() { return {Clock(CLOCK_MONOTONIC), Clock(CLOCK_PROCESS_CPUTIME_ID)}; }

double Median(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return v[v.size() / 2];
}

double Spread(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return (v[v.size() * 3 / 4] - v[v.size() / 4]) / 2 / v[v.size() / 2];
}

[[noreturn]] void Give(const Status& status) {
  std::fprintf(stderr, "examine_bench: %s\n", status.message().c_str());
  std::exit(3);
}

void WriteFile(const Traffic& traffic, std::size_t times, const std::string& path) {
  CaptureInfo info;
  info.origin = Origin::kBetween;
  WriterOptions options;
  options.durability = Durability::kRelaxed;
  options.replace = true;
  auto writer = CaptureWriter::Create(path, info, options);
  if (!writer.ok()) Give(writer.status());
  const Duration length = traffic.end - Instant();
  Duration later;
  for (std::size_t i = 0; i < times; ++i, later = later + length) {
    for (Event event : traffic.events) {
      event.at = event.at + later;
      const Status status = (*writer)->Append(event);
      if (!status.ok()) Give(status);
    }
  }
  const Status status = (*writer)->Close(Instant() + later);
  if (!status.ok()) Give(status);
}

std::uint64_t Read(const std::string& path) {
  auto reader = CaptureReader::Open(path);
  if (!reader.ok()) Give(reader.status());
  Event event;
  std::uint64_t sum = 0;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) sum += event.bytes.size();
  return sum;
}

std::uint64_t ExamineAll(const std::string& path) {
  ReaderOptions reading;
  reading.make_ahead = true;
  auto reader = CaptureReader::Open(path, reading);
  if (!reader.ok()) Give(reader.status());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  const auto examination = Examine(**reader, options);
  if (!examination.ok()) Give(examination.status());
  return examination->events;
}

void Measure(const Traffic& traffic, std::size_t times, int rounds, const std::string& path) {
  WriteFile(traffic, times, path);
  std::vector<double> by_wall, by_cpu, read, read_cpu, examine, examine_cpu;
  for (int round = 0; round <= rounds; ++round) {
    const Stamp a = Now();
    Read(path);
    const Stamp b = Now();
    ExamineAll(path);
    const Stamp c = Now();
    if (round == 0) continue;  // warms up
    const Stamp reading = b - a, examining = c - b;
    by_wall.push_back(reading.wall / examining.wall);
    by_cpu.push_back(reading.cpu / examining.cpu);
    read.push_back(reading.wall);
    read_cpu.push_back(reading.cpu);
    examine.push_back(examining.wall);
    examine_cpu.push_back(examining.cpu);
  }
  rusage usage{};
  ::getrusage(RUSAGE_SELF, &usage);
  const std::size_t count = traffic.events.size() * times;
  const auto events = static_cast<double>(count);
  const auto per_event = [&](const std::vector<double>& v) { return Median(v) / events * 1e9; };
  std::printf(
      "{\"bench\": \"examine\", \"class\": \"%s\", \"events\": %zu, "
      "\"events_per_second\": %.0f, \"speed_of_reading\": %.3f, \"noise\": %.3f, "
      "\"speed_of_reading_by_cpu\": %.3f, \"read_ns\": %.1f, \"read_cpu_ns\": %.1f, "
      "\"examine_ns\": %.1f, \"examine_cpu_ns\": %.1f, \"peak_mib_with_the_traffic\": %ld}\n",
      traffic.name.c_str(), count, events / Median(examine), Median(by_wall), Spread(by_wall),
      Median(by_cpu), per_event(read), per_event(read_cpu), per_event(examine),
      per_event(examine_cpu), usage.ru_maxrss / 1024);
  std::fflush(stdout);
}

}  // namespace
}  // namespace witness

int main(int argc, char** argv) {
  constexpr std::size_t kMostMade = 1000000;
  const std::size_t events = argc > 1 ? std::strtoul(argv[1], nullptr, 10) : 4000000;
  const std::size_t times = (events + kMostMade - 1) / kMostMade;
  const int rounds = argc > 2 ? std::atoi(argv[2]) : 5;
  const std::string only = argc > 3 ? argv[3] : "";
  const char* const folder = std::getenv("TMPDIR");
  const std::string path = std::string(folder != nullptr ? folder : "/tmp") + "/examine_bench-" +
                           std::to_string(::getpid()) + ".witness";
  for (std::size_t which = 0; which < witness::kTrafficClasses; ++which) {
    const witness::Traffic traffic = witness::TrafficOf(which, std::min(events, kMostMade));
    if (only.empty() || only == traffic.name) witness::Measure(traffic, times, rounds, path);
  }
  ::unlink(path.c_str());
}
