#include "capture/line/line_watcher.h"

#include <linux/serial.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>
#include <ctime>

#include "capture/line/interruptible.h"

namespace witness {
namespace {

// LineBit of store/event.h, as it travels in ModemLines.
struct LineName {
  int kernel = 0;
  std::uint32_t bit = 0;
};
constexpr LineName kLines[] = {{TIOCM_RTS, 1}, {TIOCM_CTS, 2},  {TIOCM_DTR, 4},
                               {TIOCM_DSR, 8}, {TIOCM_CAR, 16}, {TIOCM_RNG, 32}};
constexpr std::uint32_t kCts = 2;
constexpr std::uint32_t kDsr = 8;
constexpr std::uint32_t kDcd = 16;
constexpr std::uint32_t kRi = 32;
constexpr std::uint32_t kInputs = kCts | kDsr | kDcd | kRi;
constexpr int kMostEdges = 16;
constexpr int kSecondLookMs = 20;

std::int64_t MonotonicNanoseconds() {
  timespec now = {};
  clock_gettime(CLOCK_MONOTONIC, &now);
  return std::int64_t{now.tv_sec} * 1'000'000'000 + now.tv_nsec;
}

}  // namespace

Result<ModemLines> ReadModemLines(int descriptor, const std::string& name) {
  int bits = 0;
  if (ioctl(descriptor, TIOCMGET, &bits) != 0) {
    if (errno == ENOTTY || errno == EINVAL)
      return Status(Code::kUnsupported, name + ": the driver tells no modem lines");
    return Status(errno == EIO ? Code::kDisconnected : Code::kIo,
                  name + ": cannot read the modem lines: " + std::strerror(errno));
  }
  ModemLines out;
  for (const LineName& line : kLines) {
    out.known |= line.bit;
    if (bits & line.kernel) out.asserted |= line.bit;
  }
  return out;
}

LineWatcher::LineWatcher(int descriptor, ModemLines before)
    : descriptor_(descriptor), asserted_(before.asserted & kInputs) {
  event_ = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
  if (event_ < 0) return;
  seen_ = ReadEdges();
  PrepareInterruption();
  const BlockOtherSignals blocked;
  thread_ = std::thread([this] { Watch(); });
}

LineWatcher::~LineWatcher() {
  Stop();
  if (event_ >= 0) close(event_);
}

void LineWatcher::Stop() {
  if (!thread_.joinable()) return;
  stop_ = true;
  // The signal may come just before the thread goes to wait: again until it has ended.
  while (!ended_) {
    InterruptThread(thread_.native_handle());
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  thread_.join();
}

LineWatcher::Edges LineWatcher::ReadEdges() const {
  serial_icounter_struct counted = {};
  if (ioctl(descriptor_, TIOCGICOUNT, &counted) != 0) return {};
  return {counted.cts, counted.dsr, counted.dcd, counted.rng};
}

void LineWatcher::Nudge() {
  if (!thread_.joinable() || ended_) return;
  const Edges now = ReadEdges();
  const std::lock_guard lock(mutex_);
  if (now != seen_) InterruptThread(thread_.native_handle());
}

void LineWatcher::Watch() {
  while (!stop_) {
    if (Note(false)) {
      poll(nullptr, 0, kSecondLookMs);
      Note(true);
    }
    if (ioctl(descriptor_, TIOCMIWAIT, TIOCM_CTS | TIOCM_DSR | TIOCM_CAR | TIOCM_RNG) != 0 &&
        errno != EINTR)
      break;
  }
  ended_ = true;
}

bool LineWatcher::Note(bool last_look) {
  const std::int64_t at = MonotonicNanoseconds();
  const Edges edges = ReadEdges();  // before the levels, which may thus be newer by an edge
  const Result<ModemLines> now = ReadModemLines(descriptor_, "");
  if (!now.ok()) return false;
  const std::lock_guard lock(mutex_);
  const std::uint32_t levels = now->asserted & kInputs;
  std::uint32_t together = 0;  // lines with one edge each: one change
  bool again = false;
  const auto note = [&](std::uint32_t bit, int counted, int& seen) {
    const bool changed = ((levels ^ asserted_) & bit) != 0;
    int count = counted - seen;
    if (changed && count % 2 == 0) {
      ++count;  // the level was read behind an edge that the counter will show later
    } else if (!changed && count > 0 && count % 2 != 0) {
      // The other edge of a pulse is on its way; or there was none: a driver counts the difference
      // to its own start value when an adapter first tells its lines.
      if (!last_look) again = true;
      if (last_look) ++seen;
      --count;
    }
    if (changed && count < 0) count += 2;  // once more before the counter has shown the first
    if (count <= 0) return;
    seen += count;
    if (count == 1) {
      together |= bit;
      return;
    }
    // A line that chatters is not worth more than its level and that it moved.
    for (int left = count > kMostEdges ? kMostEdges - count % 2 : count; left > 0; --left) {
      asserted_ ^= bit;
      Push(at, asserted_, bit);
    }
  };
  note(kCts, edges.cts, seen_.cts);
  note(kDsr, edges.dsr, seen_.dsr);
  note(kDcd, edges.dcd, seen_.dcd);
  // Of RI some drivers count one edge only: its level alone tells.
  together |= (levels ^ asserted_) & kRi;
  seen_.ri = edges.ri;
  if (together != 0) {
    asserted_ ^= together;
    Push(at, asserted_, together);
  }
  return again;
}

void LineWatcher::Push(std::int64_t at_ns, std::uint32_t asserted, std::uint32_t changed) {
  changes_.push_back({at_ns, {Duration::Zero(), asserted, changed}});
  const std::uint64_t one = 1;
  [[maybe_unused]] const ssize_t n = write(event_, &one, sizeof one);
}

std::vector<LineChange> LineWatcher::Take() {
  std::uint64_t count = 0;
  [[maybe_unused]] const ssize_t n = read(event_, &count, sizeof count);
  std::vector<LineChange> out;
  const std::int64_t now = MonotonicNanoseconds();
  const std::lock_guard lock(mutex_);
  for (Stamped& stamped : changes_) {
    stamped.change.ago = Duration::Nanoseconds(now - stamped.at_ns);
    out.push_back(stamped.change);
  }
  changes_.clear();
  return out;
}

}  // namespace witness
