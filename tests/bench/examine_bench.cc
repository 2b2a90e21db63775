// How fast a capture is examined, against how fast its events are read, in turn in one process; and
// how much memory it takes. Prints a JSON line for each class of traffic.
//
//   examine_bench [EVENTS [ROUNDS]]   events of each class (400000), measurements of each (5)
#include <sys/resource.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <vector>

#include "capture/examine/examination.h"
#include "capture/store/capture_reader.h"
#include "capture/store/capture_writer.h"
#include "tests/bench/traffic.h"

namespace witness {
namespace {

double Cpu() {
  timespec t{};
  ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}

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

Bytes FileOf(const Traffic& traffic) {
  CaptureInfo info;
  info.origin = Origin::kBetween;
  Bytes out;
  auto writer = CaptureWriter::Create(OpenMemorySink(out), info);
  if (!writer.ok()) Give(writer.status());
  for (const Event& event : traffic.events) {
    const Status status = (*writer)->Append(event);
    if (!status.ok()) Give(status);
  }
  const Status status = (*writer)->Close(traffic.end);
  if (!status.ok()) Give(status);
  return out;
}

std::uint64_t Read(const Bytes& file) {
  auto reader = CaptureReader::OpenMemory(file);
  if (!reader.ok()) Give(reader.status());
  Event event;
  std::uint64_t sum = 0;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) sum += event.bytes.size();
  return sum;
}

std::uint64_t ExamineAll(const Bytes& file) {
  auto reader = CaptureReader::OpenMemory(file);
  if (!reader.ok()) Give(reader.status());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  const auto examination = Examine(**reader, options);
  if (!examination.ok()) Give(examination.status());
  return examination->events;
}

void Measure(const Traffic& traffic, int rounds) {
  const Bytes file = FileOf(traffic);
  std::vector<double> ratios, examine;
  for (int round = 0; round <= rounds; ++round) {
    const double a = Cpu();
    Read(file);
    const double b = Cpu();
    ExamineAll(file);
    const double c = Cpu();
    if (round == 0) continue;  // warms up
    ratios.push_back((b - a) / (c - b));
    examine.push_back(c - b);
  }
  rusage usage{};
  ::getrusage(RUSAGE_SELF, &usage);
  std::printf(
      "{\"bench\": \"examine\", \"class\": \"%s\", \"events\": %zu, "
      "\"events_per_second\": %.0f, \"speed_of_reading\": %.3f, \"noise\": %.3f, "
      "\"peak_mib_with_the_traffic\": %ld}\n",
      traffic.name.c_str(), traffic.events.size(),
      static_cast<double>(traffic.events.size()) / Median(examine), Median(ratios), Spread(ratios),
      usage.ru_maxrss / 1024);
  std::fflush(stdout);
}

}  // namespace
}  // namespace witness

int main(int argc, char** argv) {
  const std::size_t events = argc > 1 ? std::strtoul(argv[1], nullptr, 10) : 400000;
  const int rounds = argc > 2 ? std::atoi(argv[2]) : 5;
  for (const witness::Traffic& traffic : witness::AllTraffic(events))
    witness::Measure(traffic, rounds);
}
