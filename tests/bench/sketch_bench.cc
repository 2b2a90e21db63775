// What watching a sketch costs: the emulator alone against a whole trial with every observer on, in
// turn in the same run. Prints one JSON object:
//   {"ratio": [...], "times_real": [...], "resident_kb": [after 50 trials, after N]}
//
//   sketch_bench SKETCH.elf PART.textproto PLACE ROUNDS TRIALS
//
// `ratio` is emulated seconds a processor second of the trial, against those of the bare emulator
// with the same ELF, the same limit of cycles a run and nothing else.
#include <sys/resource.h>
#include <time.h>

#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <memory>

#include "replay/part/build.h"
#include "replay/subject/sketch/emulator.h"
#include "replay/subject/sketch/session.h"

namespace {

double ProcessorSeconds() {
  timespec t{};
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}

long ResidentKb() {
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);)
    if (line.starts_with("VmRSS:")) return std::atol(line.c_str() + 6);
  return 0;
}

// Emulated seconds a processor second.
double Bare(const trial::ElfImage& image, double seconds) {
  avr_global_logger_set([](avr_t*, int, const char*, va_list) {});
  avr_t* avr = avr_make_mcu_by_name("atmega328p");
  avr_init(avr);
  std::memcpy(avr->flash, image.flash.data(), image.flash.size());
  avr->frequency = 16'000'000;
  avr->sleep = [](avr_t*, avr_cycle_count_t) {};
  avr->run_cycle_limit = 1000;
  for (avr_io_t* io = avr->io_port; io != nullptr; io = io->next)
    if (std::strcmp(io->kind, "uart") == 0) reinterpret_cast<avr_uart_t*>(io)->flags = 0;
  const double began = ProcessorSeconds();
  const auto end = static_cast<avr_cycle_count_t>(seconds * 16e6);
  while (avr->cycle < end) avr_run(avr);
  const double took = ProcessorSeconds() - began;
  avr_terminate(avr);
  return seconds / took;
}

trial::Observations Trial(const trial::ElfImage& image, const trial::SketchSettings& settings,
                          const trial::Part& part) {
  auto session = trial::SketchSession::Create(image, settings, part.line.baud);
  if (!session.ok()) {
    std::fprintf(stderr, "%s\n", session.status().message().c_str());
    std::exit(3);
  }
  return (*session)->Run(part, {});
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 6) {
    std::fputs("sketch_bench SKETCH.elf PART.textproto PLACE ROUNDS TRIALS\n", stderr);
    return 2;
  }
  auto image = trial::ReadElf(argv[1]);
  auto part = trial::LoadPartOrCapture(argv[2], witness::Side::kModule);
  auto place = trial::ParseSketchPlace(argv[3]);
  if (!image.ok() || !part.ok() || !place.ok()) {
    std::fputs("sketch_bench: cannot read the sketch, the part or the place\n", stderr);
    return 3;
  }
  trial::SketchSettings settings;
  settings.elf = argv[1];
  settings.module = *place;
  settings.watch_pins = {"13"};
  std::string ratios, times;
  for (int round = 0; round < std::atoi(argv[4]); ++round) {
    const double began = ProcessorSeconds();
    const trial::Observations seen = Trial(*image, settings, part->part);
    const double took = ProcessorSeconds() - began;
    const double observed = (seen.ended - trial::Instant()).seconds() / took;
    const double bare = Bare(*image, (seen.ended - trial::Instant()).seconds());
    const char* comma = round == 0 ? "" : ", ";
    ratios += comma + std::to_string(observed / bare);
    times += comma + std::to_string(observed);
  }
  // A leak shows: the same short trial again and again in one process.
  trial::Part brief = part->part;
  long after_few = 0;
  const int trials = std::atoi(argv[5]);
  for (int i = 0; i < trials; ++i) {
    auto session = trial::SketchSession::Create(*image, settings, brief.line.baud);
    if (!session.ok()) return 3;
    trial::RunLimits limits;
    limits.within = witness::Duration::Milliseconds(40);
    (*session)->Run(brief, limits);
    if (i == 49) after_few = ResidentKb();
  }
  std::printf("{\"ratio\": [%s], \"times_real\": [%s], \"resident_kb\": [%ld, %ld]}\n",
              ratios.c_str(), times.c_str(), after_few, ResidentKb());
  return 0;
}
