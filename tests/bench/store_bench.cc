// What a capture costs: room on the disk, time to write and to read. Prints JSON lines for
// tests/bench/run, one a class of traffic; every figure beside the baseline that was measured in
// turn with it.
//
//   store_bench [EVENTS [ROUNDS [CLASS]]]  events of each class (1000000), measurements of each
//   (5);
//                                     of the class of that number only
//   store_bench grow FILE BYTES       writes a capture of about BYTES decompressed
//   store_bench write FILE CLASS N    writes one of N events of the class of that number
//   store_bench read FILE TIMES       reads it, for a profiler
//   store_bench events FILE           reads it to events once and says how many
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zstd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <string>
#include <vector>

#include "capture/store/capture_reader.h"
#include "capture/store/capture_writer.h"
#include "capture/store/compact.h"
#include "tests/bench/entropy.h"
#include "tests/bench/traffic.h"

namespace witness {
namespace {

[[noreturn]] void Give(const Status& status) {
  std::fprintf(stderr, "store_bench: %s\n", status.message().c_str());
  std::exit(3);
}

void Check(const Status& status) {
  if (!status.ok()) Give(status);
}

double Now(clockid_t clock) {
  timespec t{};
  ::clock_gettime(clock, &t);
  return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}

double Cpu() { return Now(CLOCK_PROCESS_CPUTIME_ID); }

struct Moment {
  double wall = 0;
  double cpu = 0;   // of all threads
  double mine = 0;  // of this one
  static Moment Now() {
    return {witness::Now(CLOCK_MONOTONIC), Cpu(), witness::Now(CLOCK_THREAD_CPUTIME_ID)};
  }
  Moment operator-(const Moment& other) const {
    return {wall - other.wall, cpu - other.cpu, mine - other.mine};
  }
  void operator+=(const Moment& other) {
    wall += other.wall;
    cpu += other.cpu;
    mine += other.mine;
  }
  // CPU seconds of the busier of two threads: the least that the wall can show.
  double longer() const { return std::max(mine, cpu - mine); }
};

double Median(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return v[v.size() / 2];
}

// Half the distance between the quartiles, of the median.
double Spread(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return (v[v.size() * 3 / 4] - v[v.size() / 4]) / 2 / v[v.size() / 2];
}

std::size_t SizeOf(const std::string& path) {
  struct stat facts {};
  return ::stat(path.c_str(), &facts) == 0 ? static_cast<std::size_t>(facts.st_size) : 0;
}

// As it is while recording: a flush every 250 ms of the events' time.
WriterOptions Live() {
  WriterOptions options;
  options.replace = true;
  options.compact_on_close = false;
  return options;
}

// As fast as events can be had from memory: what is full is written, and nothing sooner.
WriterOptions BareLoop() {
  WriterOptions options = Live();
  options.flush_every = Duration::Seconds(3600);
  return options;
}

void Write(const std::string& path, const Traffic& traffic, const WriterOptions& options) {
  auto writer = CaptureWriter::Create(path, CaptureInfo{}, options);
  if (!writer.ok()) Give(writer.status());
  for (const Event& event : traffic.events) Check((*writer)->Append(event));
  Check((*writer)->Close(traffic.end));
}

std::uint64_t Read(const std::string& path) {
  auto reader = CaptureReader::Open(path);
  if (!reader.ok()) Give(reader.status());
  EventBatch batch;
  std::uint64_t events = 0;
  std::uint64_t sum = 0;
  while ((*reader)->NextBatch(batch) == CaptureReader::Outcome::kEvent) {
    events += batch.events.size();
    for (const BriefEvent& event : batch.events) {
      sum += static_cast<std::uint64_t>(event.at.ns()) ^ event.size;
    }
  }
  if (!(*reader)->ending().closed_cleanly || sum == 1) Give(Status(Code::kDamaged, path));
  return events;
}

// The same, one at a time.
std::uint64_t ReadSingly(const std::string& path) {
  auto reader = CaptureReader::Open(path);
  if (!reader.ok()) Give(reader.status());
  Event event;
  std::uint64_t events = 0;
  std::uint64_t sum = 0;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
    ++events;
    sum += static_cast<std::uint64_t>(event.at.ns()) ^ event.bytes.size();
  }
  if (!(*reader)->ending().closed_cleanly || sum == 1) Give(Status(Code::kDamaged, path));
  return events;
}

// What `zstd -dc FILE > /dev/null` does, without its start: read, decompress, check the checksum.
std::uint64_t Decompress(const std::string& path) {
  const int file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
  Bytes in(ZSTD_DStreamInSize(), '\0');
  Bytes out(ZSTD_DStreamOutSize(), '\0');
  ZSTD_DCtx* context = ZSTD_createDCtx();
  std::uint64_t total = 0;
  for (ssize_t n = 0; (n = ::read(file, in.data(), in.size())) > 0;) {
    ZSTD_inBuffer from{in.data(), static_cast<std::size_t>(n), 0};
    while (from.pos < from.size) {
      ZSTD_outBuffer to{out.data(), out.size(), 0};
      const std::size_t left = ZSTD_decompressStream(context, &to, &from);
      if (ZSTD_isError(left) != 0) Give(Status(Code::kDamaged, path));
      total += to.pos;
    }
  }
  ZSTD_freeDCtx(context);
  ::close(file);
  return total;
}

// time, side, hex; compressed as `zstd -3` does.
std::size_t CsvSize(const Traffic& traffic) {
  Bytes csv;
  for (const Event& event : traffic.events) {
    csv += std::to_string(event.at.ns());
    csv += event.side == Side::kHost ? ",host," : ",module,";
    csv += ToHex(event.bytes);
    csv += '\n';
  }
  Bytes out(ZSTD_compressBound(csv.size()), '\0');
  return ZSTD_compress(out.data(), out.size(), csv.data(), csv.size(), 3);
}

void Measure(const Traffic& traffic, const std::string& folder, int rounds) {
  const std::string live = folder + "/live.witness";
  const std::string everyday = folder + "/everyday.witness";
  const std::string best = folder + "/best.witness";
  const auto events = static_cast<double>(traffic.events.size());

  std::vector<double> write_cpu, live_cpu;
  for (int round = 0; round < rounds; ++round) {
    const double a = Cpu();
    Write(live, traffic, BareLoop());
    const double b = Cpu();
    Write(live, traffic, Live());
    write_cpu.push_back(b - a);
    live_cpu.push_back(Cpu() - b);
  }
  Write(everyday, traffic, Live());
  Write(best, traffic, Live());
  const double compact_began = Cpu();
  Check(CompactFile(everyday, PackSettings::Everyday()));
  const double compact_cpu = Cpu() - compact_began;
  Check(CompactFile(best, PackSettings::Best()));

  // By the wall, since reading decompresses on a thread of its own, and by what all threads took.
  std::vector<double> wall_ratios, thread_ratios, cpu_ratios, read_cpu;
  std::uint64_t raw = 0;
  Read(everyday);
  for (int round = 0; round < rounds * 4 + 1; ++round) {
    const Moment a = Moment::Now();
    const std::uint64_t seen = Read(everyday);
    const Moment b = Moment::Now();
    raw = Decompress(everyday);
    const Moment c = Moment::Now();
    if (seen != traffic.events.size()) Give(Status(Code::kDamaged, "events are missing"));
    wall_ratios.push_back((c - b).wall / (b - a).wall);
    thread_ratios.push_back((c - b).cpu / (b - a).longer());
    cpu_ratios.push_back((c - b).cpu / (b - a).cpu);
    read_cpu.push_back((b - a).cpu);
  }
  const auto csv = static_cast<double>(CsvSize(traffic));
  const double estimate = EstimateBytes(traffic);
  const auto size = [events](const std::string& path) {
    return static_cast<double>(SizeOf(path)) / events;
  };
  std::printf(
      "{\"class\": \"%s\", \"events\": %.0f, \"payload_per_event\": %.2f, \"raw_per_event\": %.2f, "
      "\"csv\": %.3f, \"live\": %.3f, \"everyday\": %.3f, \"best\": %.3f, \"estimate\": %.3f, "
      "\"write_per_s\": %.0f, \"write_spread\": %.3f, \"live_per_s\": %.0f, "
      "\"compact_per_s\": %.0f, \"read_per_s\": %.0f, \"read_wall\": %.3f, "
      "\"read_wall_spread\": %.3f, \"read_threads\": %.3f, \"read_threads_spread\": %.3f, "
      "\"read_cpu\": %.3f}\n",
      traffic.name.c_str(), events, static_cast<double>(traffic.storage.size()) / events,
      static_cast<double>(raw) / events, csv / events, size(live), size(everyday), size(best),
      estimate / events, events / Median(write_cpu), Spread(write_cpu), events / Median(live_cpu),
      events / compact_cpu, events / Median(read_cpu), Median(wall_ratios), Spread(wall_ratios),
      Median(thread_ratios), Spread(thread_ratios), Median(cpu_ratios));
  std::fflush(stdout);
  for (const std::string& path : {live, everyday, best}) ::unlink(path.c_str());
}

// A long recording: the AT dialogue again and again, at later times.
int Grow(const std::string& path, std::uint64_t bytes) {
  const std::vector<Traffic> all = AllTraffic(200'000);
  WriterOptions options;
  options.replace = true;
  options.durability = Durability::kRelaxed;
  auto writer = CaptureWriter::Create(path, CaptureInfo{}, options);
  if (!writer.ok()) Give(writer.status());
  Instant began;
  while ((*writer)->payload_bytes() + 4 * (*writer)->events() < bytes) {
    for (const std::size_t which : {std::size_t{0}, std::size_t{4}, std::size_t{2}}) {
      for (Event event : all[which].events) {
        event.at = began + (event.at - Instant());
        Check((*writer)->Append(event));
      }
      began = began + (all[which].end - Instant()) + Duration::Seconds(1);
    }
  }
  Check((*writer)->Close(began));
  std::printf("{\"end_ns\": %lld, \"events\": %llu, \"decompressed\": %llu}\n",
              static_cast<long long>(began.ns()),
              static_cast<unsigned long long>((*writer)->events()),
              static_cast<unsigned long long>(Decompress(path)));
  return 0;
}

int WriteOne(const std::string& path, std::size_t which, std::size_t events) {
  if (which >= kTrafficClasses) return 2;
  Write(path, TrafficOf(which, events), Live());
  Check(CompactFile(path, PackSettings::Everyday()));
  return 0;
}

int ReadOne(const std::string& path, int times) {
  std::uint64_t events = 0;
  Moment read{}, singly{}, decompressed{};
  for (int i = 0; i < times; ++i) {
    const Moment a = Moment::Now();
    events += Read(path);
    const Moment b = Moment::Now();
    Decompress(path);
    const Moment c = Moment::Now();
    ReadSingly(path);
    const Moment d = Moment::Now();
    read += b - a;
    decompressed += c - b;
    singly += d - c;
  }
  const auto n = static_cast<double>(events) / 1e9;
  std::printf(
      "ns an event: read %.1f (CPU %.1f, of it %.1f for events), one at a time %.1f (CPU %.1f, "
      "%.1f), "
      "zstd %.1f (CPU %.1f); ratio %.2f, one at a time %.2f, by all CPU %.2f\n",
      read.wall / n, read.cpu / n, read.mine / n, singly.wall / n, singly.cpu / n, singly.mine / n,
      decompressed.wall / n, decompressed.cpu / n, decompressed.wall / read.wall,
      decompressed.wall / singly.wall, decompressed.cpu / read.cpu);
  return 0;
}

}  // namespace
}  // namespace witness

int main(int count, char** arguments) {
  using namespace witness;
  const std::string what = count > 1 ? arguments[1] : "";
  if (what == "grow" && count == 4) return Grow(arguments[2], std::stoull(arguments[3]));
  if (what == "write" && count == 5) {
    return WriteOne(arguments[2], std::stoul(arguments[3]), std::stoul(arguments[4]));
  }
  if (what == "events" && count == 3) {
    std::printf("%llu\n", static_cast<unsigned long long>(Read(arguments[2])));
    return 0;
  }
  if (what == "read" && count == 4) return ReadOne(arguments[2], std::atoi(arguments[3]));
  const std::size_t events = count > 1 ? std::stoull(what) : 1'000'000;
  const int rounds = count > 2 ? std::atoi(arguments[2]) : 5;
  char folder[] = "/tmp/store_bench.XXXXXX";
  if (::mkdtemp(folder) == nullptr) Give(Status(Code::kIo, "no folder for the captures"));
  for (std::size_t i = 0; i < kTrafficClasses; ++i) {
    if (count <= 3 || std::stoul(arguments[3]) == i) {
      Measure(TrafficOf(i, events), folder, rounds);
    }
  }
  ::rmdir(folder);
  return 0;
}
