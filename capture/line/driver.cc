#include "capture/line/driver.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <ctime>
#include <map>
#include <utility>
#include <vector>

#include "capture/line/alarm.h"

namespace witness {
namespace {

constexpr std::size_t kReadSize = 64 * 1024;

// Where the signal handler leaves its mark: an eventfd of the driver that runs, or -1. A handler
// (and not signalfd) is used so that the signal mask of child processes stays as it was.
std::atomic<int> signal_descriptor{-1};

extern "C" void NoteInterrupt(int) {
  const int kept = errno;
  const std::uint64_t one = 1;
  const int descriptor = signal_descriptor.load();
  if (descriptor >= 0) {
    [[maybe_unused]] const ssize_t n = write(descriptor, &one, sizeof one);
  }
  errno = kept;
}

// Catches SIGINT and SIGTERM while it lives.
class SignalGuard {
 public:
  explicit SignalGuard(int descriptor) {
    before_descriptor_ = signal_descriptor.exchange(descriptor);
    struct sigaction action = {};
    action.sa_handler = NoteInterrupt;
    sigemptyset(&action.sa_mask);
    action.sa_flags = SA_RESTART;
    sigaction(SIGINT, &action, &before_int_);
    sigaction(SIGTERM, &action, &before_term_);
  }
  ~SignalGuard() {
    sigaction(SIGINT, &before_int_, nullptr);
    sigaction(SIGTERM, &before_term_, nullptr);
    signal_descriptor.store(before_descriptor_);
  }
  SignalGuard(const SignalGuard&) = delete;
  SignalGuard& operator=(const SignalGuard&) = delete;

 private:
  int before_descriptor_ = -1;
  struct sigaction before_int_ = {};
  struct sigaction before_term_ = {};
};

class PollDriver : public Driver {
 public:
  explicit PollDriver(Clock& clock) : clock_(clock), alarm_(clock), buffer_(kReadSize) {}
  ~PollDriver() override {
    guard_.reset();
    if (signal_event_ >= 0) close(signal_event_);
  }

  Clock& clock() override { return clock_; }

  void AddPort(Port& port, PortHandlers handlers) override {
    Member& member = ports_[&port];
    member = Member();
    member.serial = ++last_serial_;
    member.port = &port;
    member.handlers = std::make_shared<PortHandlers>(std::move(handlers));
    if (member.handlers->on_lines) {
      const Result<int> watched = port.WatchLines();
      if (watched.ok()) member.lines_handle = *watched;
      member.lines_come_with_reads = watched.ok() && *watched < 0;
    }
    if (member.handlers->on_counts) member.counts_known = port.Counts(member.counts);
    if (member.counts_known) LookAtCounts(port, member.serial);
  }

  void RemovePort(Port& port) override { ports_.erase(&port); }

  void Write(Port& port, ByteView bytes) override {
    const auto it = ports_.find(&port);
    if (it == ports_.end() || it->second.ended || !it->second.write_error.ok()) return;
    Member& member = it->second;
    if (member.Waiting() == 0) {
      Result<std::size_t> taken = port.Write(bytes);
      if (!taken.ok()) {
        member.write_error = taken.status();
        return;
      }
      bytes.remove_prefix(*taken);
    }
    member.queue.append(bytes);
  }

  std::size_t Unwritten(const Port& port) const override {
    const auto it = ports_.find(const_cast<Port*>(&port));
    return it == ports_.end() ? 0 : it->second.Waiting();
  }

  void PauseReading(Port& port, bool paused) override {
    const auto it = ports_.find(&port);
    if (it == ports_.end()) return;
    it->second.paused = paused;
    // What the port itself holds is not told by polling.
    if (!paused && it->second.more) {
      SetTimer(clock_.Now(), [this, port = &port, serial = it->second.serial](Instant) {
        Member* member = Find(port, serial);
        if (member == nullptr || member->ended || member->paused || !member->more) return;
        ServePort(port, serial, POLLIN);
      });
    }
  }

  TimerId SetTimer(Instant at, std::function<void(Instant now)> call) override {
    const TimerId id = ++last_timer_;
    timers_[{at, id}] = std::move(call);
    timer_times_[id] = at;
    return id;
  }

  void CancelTimer(TimerId id) override {
    const auto it = timer_times_.find(id);
    if (it == timer_times_.end()) return;
    timers_.erase({it->second, id});
    timer_times_.erase(it);
  }

  void WatchReadable(int descriptor, std::function<void(Instant now)> call) override {
    watches_[descriptor] = {++last_serial_,
                            std::make_shared<std::function<void(Instant)>>(std::move(call))};
  }
  void Unwatch(int descriptor) override { watches_.erase(descriptor); }

  void OnInterrupt(std::function<void(Instant now)> call) override {
    on_interrupt_ = std::make_shared<std::function<void(Instant)>>(std::move(call));
    if (guard_) return;
    if (signal_event_ < 0) signal_event_ = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (signal_event_ >= 0) guard_ = std::make_unique<SignalGuard>(signal_event_);
  }

  Status Run() override {
    stopped_ = false;
    if (on_interrupt_ && !guard_)
      return Status(Code::kIo, std::string("cannot watch signals: ") + std::strerror(EMFILE));
    while (!stopped_) {
      ReadWhatIsHeld();
      if (stopped_) break;
      FireTimers();
      DeliverWriteErrors();
      if (stopped_) break;
      if (Status s = Turn(); !s.ok()) return s;
    }
    return OkStatus();
  }

  void Stop() override { stopped_ = true; }

 private:
  struct Member {
    std::uint64_t serial = 0;
    Port* port = nullptr;
    std::shared_ptr<PortHandlers> handlers;  // shared: a handler may remove its own port
    Bytes queue;
    std::size_t written = 0;  // of `queue`
    bool paused = false;
    bool more = false;       // the port holds bytes that polling does not tell of
    bool hung_up = false;    // seen while paused: not polled until reading goes on
    bool read_done = false;  // the other side finished; writing may go on
    bool ended = false;
    Status write_error;
    int lines_handle = -1;
    bool lines_come_with_reads = false;
    bool counts_known = false;
    LineCounts counts;

    std::size_t Waiting() const { return queue.size() - written; }
  };
  struct Watch {
    std::uint64_t serial = 0;
    std::shared_ptr<std::function<void(Instant)>> call;
  };
  // What one entry of the poll list stands for.
  struct Polled {
    enum { kSignal, kAlarm, kWatch, kPort, kLines } what = kSignal;
    Port* port = nullptr;
    std::uint64_t serial = 0;
  };

  void FireTimers() {
    const TimerId newest = last_timer_;  // one set by a timer's call waits for the next turn
    const Instant now = clock_.Now();
    auto it = timers_.begin();
    while (!stopped_ && it != timers_.end() && it->first.first <= now) {
      if (it->first.second > newest) {
        ++it;
        continue;
      }
      const auto key = it->first;
      const std::function<void(Instant)> call = std::move(it->second);
      timer_times_.erase(key.second);
      timers_.erase(it);
      call(now);
      it = timers_.begin();
    }
  }

  Member* Find(Port* port, std::uint64_t serial) {
    const auto it = ports_.find(port);
    return it != ports_.end() && it->second.serial == serial ? &it->second : nullptr;
  }

  void End(Member& member, Instant at, ReadOutcome why, const Status& status) {
    if (why == ReadOutcome::kFinished)
      member.read_done = true;
    else
      member.ended = true;
    const std::shared_ptr<PortHandlers> handlers = member.handlers;
    if (handlers->on_end) handlers->on_end(at, why, status);
  }

  void DeliverWriteErrors() {
    std::vector<std::pair<Port*, std::uint64_t>> failed;
    for (const auto& [port, member] : ports_)
      if (!member.ended && !member.write_error.ok()) failed.emplace_back(port, member.serial);
    for (const auto& [port, serial] : failed) {
      // What came in before the failure is still to be had.
      while (Member* member = Find(port, serial)) {
        if (member->ended || member->paused || !ReadOnce(*member)) break;
      }
      Member* member = Find(port, serial);
      if (member == nullptr || member->ended) continue;
      const Status status = member->write_error;
      End(*member, clock_.Now(),
          status.code() == Code::kDisconnected ? ReadOutcome::kGone : ReadOutcome::kFailed, status);
    }
  }

  // How often the counts and lines of a silent port are looked at; a port that speaks is looked at
  // with every read.
  static constexpr Duration kCountsEvery = Duration::Milliseconds(200);

  void LookAtCounts(Port& port, std::uint64_t serial) {
    SetTimer(clock_.Now() + kCountsEvery, [this, port = &port, serial](Instant now) {
      Member* member = Find(port, serial);
      if (member == nullptr || member->ended) return;
      DeliverCounts(*member, now);
      LookAtCounts(*port, serial);
    });
  }

  void DeliverCounts(Member& member, Instant at) {
    LineCounts now;
    if (!member.counts_known || !member.port->Counts(now) || now == member.counts) return;
    const LineCounts before = std::exchange(member.counts, now);
    LineCounts more;
    more.framing = now.framing - before.framing;
    more.parity = now.parity - before.parity;
    more.overrun = now.overrun - before.overrun;
    more.buffer_overrun = now.buffer_overrun - before.buffer_overrun;
    more.breaks = now.breaks - before.breaks;
    const std::shared_ptr<PortHandlers> handlers = member.handlers;
    if (handlers->on_counts) handlers->on_counts(at, more);
  }

  // The bytes of one read and what was marked between them, in order. A handler may remove the
  // port: then the rest is dropped, as it would be without marks.
  void Deliver(Member& member, Instant at, const ReadResult& got) {
    const std::shared_ptr<PortHandlers> handlers = member.handlers;
    Port* const port = member.port;
    const std::uint64_t serial = member.serial;
    if (!got.note.empty() && handlers->on_note) handlers->on_note(at, got.note);
    for (const LineRequest& request : got.requests) {
      if (handlers->on_request) handlers->on_request(at, request);
      if (Find(port, serial) == nullptr) return;
    }
    const ByteView all(buffer_.data(), got.size);
    std::size_t done = 0;
    const auto plain = [&](std::size_t to) {
      if (to > done && handlers->on_bytes) handlers->on_bytes(at, all.substr(done, to - done));
      done = std::max(done, to);
    };
    for (const ReadMark& mark : got.marks) {
      const bool bad_byte = mark.kind == ReadMark::Kind::kBadByte;
      if (bad_byte ? !handlers->on_bad_byte : !handlers->on_break) continue;
      plain(mark.offset);
      if (Find(port, serial) == nullptr) return;
      if (bad_byte) {
        handlers->on_bad_byte(at, all.substr(mark.offset, 1));
        done = mark.offset + 1;
      } else {
        handlers->on_break(at);
      }
      if (Find(port, serial) == nullptr) return;
    }
    plain(all.size());
    if (Member* still = Find(port, serial)) {
      DeliverCounts(*still, at);
      if (still->lines_come_with_reads) DeliverLines(port, serial);
    }
  }

  void DeliverLines(Port* port, std::uint64_t serial) {
    Member* member = Find(port, serial);
    if (member == nullptr || member->ended) return;
    const std::shared_ptr<PortHandlers> handlers = member->handlers;
    const std::vector<LineChange> changes = port->TakeLineChanges();
    const Instant now = clock_.Now();
    for (const LineChange& change : changes) {
      if (Find(port, serial) == nullptr) return;
      handlers->on_lines(now - change.ago, change.asserted, change.changed);
    }
  }

  // True: bytes came, there may be more.
  bool ReadOnce(Member& member) {
    const ReadResult got = member.port->Read(std::span<char>(buffer_));
    const Instant at = clock_.Now();
    switch (got.outcome) {
      case ReadOutcome::kBytes: {
        Port* const port = member.port;
        const std::uint64_t serial = member.serial;
        Deliver(member, at, got);
        if (Member* still = Find(port, serial)) still->more = got.more;
        return true;
      }
      case ReadOutcome::kNothingYet:
        return false;
      case ReadOutcome::kFinished:
      case ReadOutcome::kGone:
      case ReadOutcome::kFailed:
        End(member, at, got.outcome, got.status);
        return false;
    }
    return false;
  }

  void Flush(Member& member) {
    if (Status s = member.port->SendUnsent(); !s.ok()) {
      member.write_error = s;
      return;
    }
    if (member.port->Unsent() > 0) return;
    while (member.Waiting() > 0) {
      const Result<std::size_t> taken =
          member.port->Write(ByteView(member.queue).substr(member.written));
      if (!taken.ok()) {
        member.write_error = taken.status();
        return;
      }
      if (*taken == 0) break;
      member.written += *taken;
    }
    if (member.Waiting() == 0) {
      member.queue.clear();
      member.written = 0;
    } else if (member.written > 256 * 1024) {
      member.queue.erase(0, member.written);
      member.written = 0;
    }
  }

  void BuildPollList() {
    list_.clear();
    meaning_.clear();
    if (signal_event_ >= 0) {
      list_.push_back({signal_event_, POLLIN, 0});
      meaning_.push_back({Polled::kSignal, nullptr, 0});
    }
    if (alarm_.descriptor() >= 0) {
      list_.push_back({alarm_.descriptor(), POLLIN, 0});
      meaning_.push_back({Polled::kAlarm, nullptr, 0});
    }
    for (const auto& [descriptor, watch] : watches_) {
      list_.push_back({descriptor, POLLIN, 0});
      meaning_.push_back({Polled::kWatch, nullptr, watch.serial});
    }
    for (auto& [port, member] : ports_) {
      if (member.ended) continue;
      if (member.lines_handle >= 0) {
        list_.push_back({member.lines_handle, POLLIN, 0});
        meaning_.push_back({Polled::kLines, port, member.serial});
      }
      if (!member.paused) member.hung_up = false;
      short events = 0;
      if (!member.paused && !member.read_done) events |= POLLIN;
      if (member.Waiting() > 0 || port->Unsent() > 0) events |= POLLOUT;
      if (member.hung_up || (events == 0 && member.read_done)) continue;
      list_.push_back({port->poll_handle(), events, 0});
      meaning_.push_back({Polled::kPort, port, member.serial});
    }
  }

  // What ports hold is read before anything else happens, timers of its turn included.
  void ReadWhatIsHeld() {
    std::vector<std::pair<Port*, std::uint64_t>> holding;
    for (const auto& [port, member] : ports_)
      if (!member.ended && !member.paused && !member.read_done && port->Holding())
        holding.emplace_back(port, member.serial);
    for (const auto& [port, serial] : holding) ServePort(port, serial, POLLIN);
  }

  Status Turn() {
    BuildPollList();
    timespec timeout = {};
    timespec* limit = nullptr;
    const Instant next = timers_.empty() ? Instant::Never() : timers_.begin()->first.first;
    if (!next.never() && !alarm_.SetFor(next)) {
      const std::int64_t left = std::max<std::int64_t>(0, (next - clock_.Now()).ns());
      timeout.tv_sec = static_cast<time_t>(left / 1'000'000'000);
      timeout.tv_nsec = static_cast<long>(left % 1'000'000'000);
      limit = &timeout;
    }
    const int ready = ppoll(list_.data(), list_.size(), limit, nullptr);
    if (ready < 0 && errno != EINTR)
      return Status(Code::kIo, std::string("cannot wait for ports: ") + std::strerror(errno));
    if (ready <= 0) return OkStatus();
    for (std::size_t i = 0; i < list_.size() && !stopped_; ++i) {
      if (list_[i].revents == 0) continue;
      switch (meaning_[i].what) {
        case Polled::kSignal:
          TakeInterrupt();
          break;
        case Polled::kAlarm:
          alarm_.GoneOff();
          break;
        case Polled::kWatch:
          CallWatch(list_[i].fd, meaning_[i].serial);
          break;
        case Polled::kLines:
          DeliverLines(meaning_[i].port, meaning_[i].serial);
          break;
        case Polled::kPort:
          ServePort(meaning_[i].port, meaning_[i].serial, list_[i].revents);
          break;
      }
    }
    return OkStatus();
  }

  void TakeInterrupt() {
    std::uint64_t count = 0;
    if (read(signal_event_, &count, sizeof count) != sizeof count) return;
    const auto call = on_interrupt_;
    if (call && *call) (*call)(clock_.Now());
  }

  void CallWatch(int descriptor, std::uint64_t serial) {
    const auto it = watches_.find(descriptor);
    if (it == watches_.end() || it->second.serial != serial) return;
    const auto call = it->second.call;
    if (*call) (*call)(clock_.Now());
  }

  void ServePort(Port* port, std::uint64_t serial, short revents) {
    Member* member = Find(port, serial);
    if (member == nullptr || member->ended) return;
    if (revents & POLLOUT) Flush(*member);
    if (member->paused) {
      if (revents & (POLLHUP | POLLERR | POLLNVAL)) member->hung_up = true;
      return;
    }
    if (member->read_done) {
      if (revents & (POLLHUP | POLLERR | POLLNVAL))
        member->write_error = Status(Code::kDisconnected, "the other side is gone");
      return;
    }
    if (revents & POLLNVAL) {
      End(*member, clock_.Now(), ReadOutcome::kFailed,
          Status(Code::kIo, port->name() + ": the port was closed while in use"));
      return;
    }
    if (revents & (POLLIN | POLLHUP | POLLERR)) {
      member->more = false;
      bool more = ReadOnce(*member);
      for (member = Find(port, serial); member != nullptr && member->more && !member->paused;
           member = Find(port, serial)) {
        member->more = false;
        more = ReadOnce(*member);
      }
      // Hang-up with nothing left to read, though the port itself did not say so.
      member = Find(port, serial);
      if (!more && member != nullptr && !member->ended && !member->read_done &&
          (revents & (POLLHUP | POLLERR)) && !(revents & POLLIN))
        End(*member, clock_.Now(), ReadOutcome::kGone,
            Status(Code::kDisconnected, port->name() + ": unplugged or hung up"));
    }
  }

  Clock& clock_;
  Alarm alarm_;
  std::vector<char> buffer_;
  std::map<Port*, Member> ports_;
  std::map<int, Watch> watches_;
  std::map<std::pair<Instant, TimerId>, std::function<void(Instant)>> timers_;
  std::map<TimerId, Instant> timer_times_;
  TimerId last_timer_ = 0;
  std::uint64_t last_serial_ = 0;
  std::shared_ptr<std::function<void(Instant)>> on_interrupt_;
  std::unique_ptr<SignalGuard> guard_;
  int signal_event_ = -1;
  bool stopped_ = false;
  std::vector<pollfd> list_;
  std::vector<Polled> meaning_;
};

}  // namespace

std::unique_ptr<Driver> Driver::Create(Clock& clock) { return std::make_unique<PollDriver>(clock); }

}  // namespace witness
