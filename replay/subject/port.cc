#include "replay/subject/port.h"

#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <utility>

#include "capture/base/clock.h"
#include "capture/base/text.h"
#include "capture/line/driver.h"
#include "capture/line/open_port.h"
#include "capture/store/event.h"
#include "replay/play/live.h"
#include "replay/subject/program.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

// How long DTR is dropped to restart a board: the usual circuit couples it to the reset pin through
// 100 nF against 10 kOhm, about 1 ms (common practice, no source).
constexpr Duration kDtrLow = Duration::Milliseconds(100);
constexpr Duration kSpin = Duration::Microseconds(300);

class PortRun {
 public:
  PortRun(const PortSetup& setup, const Part& part, const RunLimits& limits, int interrupt)
      : setup_(setup),
        limits_(limits),
        interrupt_(interrupt),
        driver_(witness::Driver::Create(clock_)),
        same_port_(setup.watch == setup.port),
        player_(part) {
    for (const Rule& rule : part.rules) turns_ += rule.answers.size();
  }

  Result<Observations> Run() {
    if (Status status = Open(); !status.ok()) return status;
    driver_->WatchReadable(interrupt_, [this](Instant) {
      interrupted_ = true;
      driver_->Stop();
    });
    if (watch_) {
      witness::PortHandlers handlers;
      handlers.on_bytes = [this](Instant at, ByteView bytes) {
        seen_.printed.push_back({at, false, Bytes(bytes)});
      };
      driver_->AddPort(*watch_, std::move(handlers));
    }
    if (setup_.reset_by_dtr) {
      if (Status status = port_->SetLines(witness::kDtr, 0); !status.ok()) return status;
      driver_->SetTimer(clock_.Now() + kDtrLow, [this](Instant) { StartPlaying(); });
    } else {
      StartPlaying();
    }
    if (Status loop = driver_->Run(); !loop.ok()) return loop;
    if (interrupted_) return Status(Code::kInterrupted, "interrupted");
    if (live_) live_->Stop();
    if (!failed_.ok()) return failed_;
    seen_.ended = clock_.Now();
    seen_.commands = player_.commands();
    seen_.answers = player_.answers();
    seen_.unfinished = Bytes(player_.unfinished());
    if (same_port_) TellPrintsFromCommands();
    if (Status closed = port_->Close(); !closed.ok()) return closed;
    return std::move(seen_);
  }

 private:
  Status Open() {
    auto port = witness::OpenPort(setup_.port);
    if (!port.ok()) return port.status();
    port_ = std::move(*port);
    if (auto got = port_->Configure(player_.part().line); !got.ok()) return got.status();
    if (setup_.watch.empty() || same_port_) return witness::OkStatus();
    auto watch = witness::OpenPort(setup_.watch);
    if (!watch.ok()) return watch.status();
    watch_ = std::move(*watch);
    return watch_->Configure(player_.part().line).status();
  }

  void StartPlaying() {
    if (setup_.reset_by_dtr) failed_ = port_->SetLines(witness::kDtr, witness::kDtr);
    const bool host = player_.part().plays == witness::Side::kHost;
    driver_->SetTimer(clock_.Now() + limits_.within, [this, host](Instant) {
      // A board never ends by itself; one that did not get as far as the baseline is out of time.
      seen_.ending =
          host || Asked() >= Expected() ? SubjectEnding::kOver : SubjectEnding::kOutOfTime;
      driver_->Stop();
    });
    LiveHooks hooks;
    const auto ours = host ? witness::Side::kHost : witness::Side::kModule;
    const auto theirs = host ? witness::Side::kModule : witness::Side::kHost;
    hooks.on_said = [this, ours](const Send& send, Instant sent) {
      seen_.said.push_back({send, sent});
      Keep(sent, ours, send.bytes);
    };
    hooks.on_heard = [this, theirs](Instant at, ByteView bytes) { Keep(at, theirs, bytes); };
    hooks.on_end = [this](Instant, witness::ReadOutcome, const Status&) {
      seen_.ending = SubjectEnding::kDisconnected;
      driver_->Stop();
    };
    hooks.on_step = [this, host](Instant at) { LookForTheEnd(at, host); };
    live_ = std::make_unique<LivePlayer>(player_, *driver_, *port_, kSpin, std::move(hooks));
    live_->Start();
  }

  std::size_t Expected() const {
    return limits_.expected_commands > 0 ? limits_.expected_commands : turns_;
  }

  // Commands so far; of a board that prints where it asks, those that the part knows.
  std::size_t Asked() const {
    const auto& all = player_.commands();
    if (!same_port_) return all.size();
    return static_cast<std::size_t>(
        std::count_if(all.begin(), all.end(), [](const TakenCommand& c) { return c.known; }));
  }

  // What the part does not know as a command is what the board prints.
  void TellPrintsFromCommands() {
    std::vector<std::uint32_t> ordinal = {0};  // by the one that the player counted
    std::vector<TakenCommand> commands;
    for (TakenCommand& command : seen_.commands) {
      if (command.known) {
        commands.push_back(std::move(command));
        ordinal.push_back(static_cast<std::uint32_t>(commands.size()));
      } else {
        seen_.printed.push_back({command.to, false, command.bytes});
        ordinal.push_back(0);
      }
    }
    seen_.commands = std::move(commands);
    for (Said& said : seen_.said)
      said.send.command = said.send.command < ordinal.size() ? ordinal[said.send.command] : 0;
    if (!seen_.unfinished.empty() && !seen_.commands.empty())
      seen_.printed.push_back({seen_.ended, false, std::exchange(seen_.unfinished, {})});
  }

  // When all is said, watches a little longer for what the board still does.
  void LookForTheEnd(Instant at, bool host) {
    const bool done = host ? player_.Idle() : player_.Idle() && Asked() >= Expected();
    if (timer_ != 0) driver_->CancelTimer(timer_);
    timer_ = 0;
    if (!done) return;
    timer_ = driver_->SetTimer(host ? at : at + limits_.linger, [this](Instant) {
      timer_ = 0;
      seen_.ending = SubjectEnding::kOver;
      driver_->Stop();
    });
  }

  void Keep(Instant at, witness::Side side, ByteView bytes) {
    witness::Event event;
    event.at = at;
    event.side = side;
    event.bytes = bytes;
    seen_.conversation.emplace_back(event);
  }

  const PortSetup& setup_;
  RunLimits limits_;
  int interrupt_;
  witness::MonotonicClock clock_;
  std::unique_ptr<witness::Driver> driver_;
  bool same_port_;  // --watch names the port itself
  Player player_;
  std::size_t turns_ = 0;
  std::unique_ptr<witness::Port> port_;
  std::unique_ptr<witness::Port> watch_;
  std::unique_ptr<LivePlayer> live_;
  witness::TimerId timer_ = 0;
  Observations seen_;
  Status failed_;
  bool interrupted_ = false;
};

class PortSubject : public Subject {
 public:
  explicit PortSubject(const PortSetup& setup)
      : setup_(setup), interrupt_(eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {}
  ~PortSubject() override {
    if (interrupt_ >= 0) close(interrupt_);
  }
  PortSubject(const PortSubject&) = delete;
  PortSubject& operator=(const PortSubject&) = delete;

  std::string Describe() const override { return "port " + witness::SafeName(setup_.port); }
  std::string CommandLine() const override {
    std::string words = "--port " + ShellQuoted(setup_.port);
    if (setup_.reset_by_dtr) words += " --reset-by-dtr";
    if (!setup_.watch.empty()) words += " --watch " + ShellQuoted(setup_.watch);
    return words;
  }
  bool virtual_time() const override { return false; }
  int most_at_once() const override { return 1; }
  Result<Observations> Run(const Part& part, const RunLimits& limits) override {
    if (setup_.watch == setup_.port) {
      // What it prints is no command that the module would refuse.
      Part quiet = part;
      quiet.unknown.reset();
      return PortRun(setup_, quiet, limits, interrupt_).Run();
    }
    return PortRun(setup_, part, limits, interrupt_).Run();
  }
  void Interrupt() override {
    const std::uint64_t one = 1;
    [[maybe_unused]] const ssize_t n = write(interrupt_, &one, sizeof one);
  }

 private:
  PortSetup setup_;
  int interrupt_;
};

}  // namespace

std::unique_ptr<Subject> MakePortSubject(const PortSetup& setup) {
  return std::make_unique<PortSubject>(setup);
}

}  // namespace trial
