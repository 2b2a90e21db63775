// A port whose far end is a script, and a driver for such ports in virtual time: no descriptor, no
// thread, no waiting. The clock jumps from one due thing to the next.
#pragma once

#include <algorithm>
#include <deque>
#include <functional>
#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "capture/line/driver.h"
#include "tests/support/fake_clock.h"

namespace witness {

class ScriptedPort : public Port {
 public:
  explicit ScriptedPort(FakeClock& clock, std::string name = "scripted")
      : clock_(clock), name_(std::move(name)) {}

  // The far end says `bytes`, so that they can be read from `at` on. May be called at any time,
  // also from `on_written`; earlier `at` first.
  void Say(Instant at, ByteView bytes) {
    const auto behind = std::upper_bound(
        coming_.begin(), coming_.end(), at,
        [](Instant a, const std::pair<Instant, Bytes>& entry) { return a < entry.first; });
    coming_.insert(behind, {at, Bytes(bytes)});
  }
  // One byte that came with a parity or framing error.
  void SayBad(Instant at, char byte) {
    bad_.insert({at, byte});
    Say(at, Bytes(1, byte));
  }
  // From `at` on the port is gone.
  void Unplug(Instant at) { gone_at_ = at; }
  // The port takes at most so many bytes per write, and none before the virtual driver's next turn.
  void TakeAtMost(std::size_t bytes) { take_ = bytes; }

  // Sees what is written.
  std::function<void(Instant at, ByteView bytes)> on_written;
  std::function<LineSettings(const LineSettings& asked)> on_configure;
  std::function<void(Instant at, std::uint32_t mask, std::uint32_t asserted)> on_lines;

  const Bytes& written() const { return written_; }

  // When something is to be read next; Never if nothing.
  Instant Next() const {
    Instant next = gone_told_ ? Instant::Never() : gone_at_;
    if (!coming_.empty()) next = std::min(next, coming_.front().first);
    return next;
  }
  void Refill() { left_ = take_; }

  std::string name() const override { return name_; }
  Result<LineSettings> Configure(const LineSettings& settings) override {
    return on_configure ? on_configure(settings) : settings;
  }
  ReadResult Read(std::span<char> buffer) override {
    ReadResult out;
    if (!coming_.empty() && coming_.front().first <= clock_.Now()) {
      Bytes& bytes = coming_.front().second;
      out.size = std::min(buffer.size(), bytes.size());
      out.outcome = ReadOutcome::kBytes;
      std::copy_n(bytes.begin(), out.size, buffer.begin());
      const auto bad = bad_.find(coming_.front().first);
      if (bad != bad_.end() && out.size == 1 && buffer[0] == bad->second) {
        out.marks = {{ReadMark::Kind::kBadByte, 0}};
        bad_.erase(bad);
      }
      bytes.erase(0, out.size);
      if (bytes.empty()) coming_.pop_front();
    } else if (gone_at_ <= clock_.Now()) {
      gone_told_ = true;
      out.outcome = ReadOutcome::kGone;
      out.status = Status(Code::kDisconnected, name_ + ": unplugged or hung up");
    }
    return out;
  }
  Result<std::size_t> Write(ByteView bytes) override {
    if (gone_at_ <= clock_.Now()) return Status(Code::kDisconnected, name_ + ": unplugged");
    const std::size_t taken = std::min(bytes.size(), left_);
    if (take_ != kUnlimited) left_ -= taken;
    written_ += bytes.substr(0, taken);
    if (on_written && taken > 0) on_written(clock_.Now(), bytes.substr(0, taken));
    return taken;
  }
  Result<ModemLines> Lines() override {
    return Status(Code::kUnsupported, name_ + ": no modem lines");
  }
  Status SetLines(std::uint32_t mask, std::uint32_t asserted) override {
    if (!on_lines) return Status(Code::kUnsupported, name_ + ": no modem lines");
    on_lines(clock_.Now(), mask, asserted);
    return OkStatus();
  }
  Status SendBreak(Duration) override { return Status(Code::kUnsupported, name_ + ": no break"); }
  int poll_handle() const override { return -1; }
  Status Close() override { return OkStatus(); }

 private:
  static constexpr std::size_t kUnlimited = static_cast<std::size_t>(-1);
  FakeClock& clock_;
  std::string name_;
  std::deque<std::pair<Instant, Bytes>> coming_;
  std::multimap<Instant, char> bad_;
  Instant gone_at_ = Instant::Never();
  bool gone_told_ = false;
  Bytes written_;
  std::size_t take_ = kUnlimited;
  std::size_t left_ = kUnlimited;
};

// Serves ScriptedPorts only. Run() ends with an error when nothing is left that could ever happen.
class VirtualDriver : public Driver {
 public:
  explicit VirtualDriver(FakeClock& clock) : clock_(clock) {}

  Clock& clock() override { return clock_; }
  void AddPort(Port& port, PortHandlers handlers) override {
    members_[&port] = Member{std::make_shared<PortHandlers>(std::move(handlers))};
  }
  void RemovePort(Port& port) override { members_.erase(&port); }
  void Write(Port& port, ByteView bytes) override {
    const auto it = members_.find(&port);
    if (it == members_.end()) return;
    it->second.queue += bytes;
    Flush(port, it->second);
  }
  std::size_t Unwritten(const Port& port) const override {
    const auto it = members_.find(const_cast<Port*>(&port));
    return it == members_.end() ? 0 : it->second.queue.size();
  }
  void PauseReading(Port& port, bool paused) override { members_[&port].paused = paused; }
  TimerId SetTimer(Instant at, std::function<void(Instant)> call) override {
    timers_[{std::max(at, clock_.Now()), ++last_timer_}] = std::move(call);
    return last_timer_;
  }
  void CancelTimer(TimerId id) override {
    std::erase_if(timers_, [id](const auto& entry) { return entry.first.second == id; });
  }
  void WatchReadable(int, std::function<void(Instant)>) override {}
  void Unwatch(int) override {}
  void OnInterrupt(std::function<void(Instant)> call) override { interrupt_ = std::move(call); }

  // As if the person pressed Ctrl-C at `at`.
  void InterruptAt(Instant at) {
    SetTimer(at, [this](Instant now) {
      if (interrupt_) interrupt_(now);
    });
  }

  Status Run() override {
    stopped_ = false;
    while (!stopped_) {
      Instant next = timers_.empty() ? Instant::Never() : timers_.begin()->first.first;
      for (const auto& [port, member] : members_) {
        if (member.ended) continue;
        if (!member.queue.empty()) next = std::min(next, clock_.Now() + Duration::Milliseconds(1));
        if (member.paused) continue;
        next = std::min(next, static_cast<ScriptedPort*>(port)->Next());
      }
      if (next.never()) return Status(Code::kIo, "nothing is left to happen");
      clock_.MoveTo(next);
      ServePorts();
      if (!stopped_) FireTimers();
    }
    return OkStatus();
  }
  void Stop() override { stopped_ = true; }

 private:
  struct Member {
    std::shared_ptr<PortHandlers> handlers;
    Bytes queue = {};
    bool paused = false;
    bool ended = false;
  };

  void Flush(Port& port, Member& member) {
    const Result<std::size_t> taken = port.Write(member.queue);
    member.queue.erase(0, taken.ok() ? *taken : member.queue.size());
  }

  void ServePorts() {
    std::vector<Port*> ports;
    for (const auto& [port, member] : members_) ports.push_back(port);
    for (Port* port : ports) {
      const auto it = members_.find(port);
      if (it == members_.end() || it->second.ended) continue;
      auto* scripted = static_cast<ScriptedPort*>(port);
      scripted->Refill();
      if (!it->second.queue.empty()) Flush(*port, it->second);
      if (it->second.paused || scripted->Next() > clock_.Now()) continue;
      const ReadResult got = port->Read(buffer_);
      const auto handlers = it->second.handlers;
      if (got.outcome == ReadOutcome::kBytes) {
        if (!got.marks.empty() && handlers->on_bad_byte)
          handlers->on_bad_byte(clock_.Now(), ByteView(buffer_.data(), 1));
        else if (handlers->on_bytes)
          handlers->on_bytes(clock_.Now(), ByteView(buffer_.data(), got.size));
      } else if (got.outcome != ReadOutcome::kNothingYet) {
        it->second.ended = true;
        if (handlers->on_end) handlers->on_end(clock_.Now(), got.outcome, got.status);
      }
      if (stopped_) return;
    }
  }

  void FireTimers() {
    const TimerId newest = last_timer_;
    for (auto it = timers_.begin();
         !stopped_ && it != timers_.end() && it->first.first <= clock_.Now();) {
      if (it->first.second > newest) {
        ++it;
        continue;
      }
      const auto call = std::move(it->second);
      timers_.erase(it);
      call(clock_.Now());
      it = timers_.begin();
    }
  }

  FakeClock& clock_;
  std::map<Port*, Member> members_;
  std::map<std::pair<Instant, TimerId>, std::function<void(Instant)>> timers_;
  TimerId last_timer_ = 0;
  std::function<void(Instant)> interrupt_;
  bool stopped_ = false;
  std::vector<char> buffer_ = std::vector<char>(4096);
};

}  // namespace witness
