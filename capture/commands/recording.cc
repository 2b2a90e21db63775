#include "capture/commands/recording.h"

#include <filesystem>
#include <vector>

#include "capture/base/text.h"
#include "capture/commands/command.h"
#include "capture/commands/live_account.h"
#include "capture/commands/recording_plan.h"
#include "capture/commands/screen.h"
#include "capture/line/keyboard.h"
#include "capture/line/network_port.h"
#include "capture/line/pty.h"
#include "capture/record/bridge.h"
#include "capture/record/capture_series.h"
#include "capture/record/port_keeper.h"
#include "capture/record/recorder.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness record";
constexpr Duration kLookAtDisk = Duration::Seconds(1);
constexpr Duration kLookAtSplit = Duration::Milliseconds(20);

// A port with an end that a person named.
struct TappedPort {
  std::string name;
  Side side = Side::kUnknown;
  OpenedPort opened;  // its port goes to the keeper
  Tap facts;
  std::unique_ptr<PortKeeper> keeper;
};

class Recording {
 public:
  explicit Recording(const RecordOptions& options) : options_(options) {}

  int Run() {
    if (Status s = Prepare(); !s.ok()) return Fail(kProgram, s);
    Start();
    const Status loop = driver_->Run();
    return Finish(loop);
  }

 private:
  Status Prepare() {
    Result<RecordingPlan> plan = PlanRecording(options_);
    if (!plan.ok()) return plan.status();
    plan_ = *std::move(plan);
    out_ = options_.out.empty() ? FreeCaptureName("record") : options_.out;
    // Where files are split, the first has a number in its name.
    if (!plan_.split.any())
      if (Status s = RefuseExisting(out_, options_.replace); !s.ok()) return s;
    if (Status s = OpenPorts(); !s.ok()) return s;
    driver_ = Driver::Create(clock_);
    // From here on Ctrl-C closes the file instead of leaving it cut off.
    driver_->OnInterrupt([this](Instant) { End(Status(Code::kInterrupted, "interrupted")); });
    Result<std::unique_ptr<CaptureSeries>> series =
        CaptureSeries::Create(out_, plan_.split, plan_.writer, [this] { return Describe(); });
    if (!series.ok()) return series.status();
    series_ = std::move(*series);
    return OkStatus();
  }

  Status OpenPorts() {
    Side first = options_.side == "host"     ? Side::kHost
                 : options_.side == "module" ? Side::kModule
                                             : Side::kUnknown;
    // The port that is named first is the module's, if not said otherwise.
    if (options_.between || (!options_.far.empty() && first == Side::kUnknown))
      first = Side::kModule;
    const Side other = first == Side::kHost ? Side::kModule : Side::kHost;
    if (Status s = Open(options_.port, first); !s.ok()) return s;
    if (!options_.far.empty())
      if (Status s = Open(options_.far, other); !s.ok()) return s;
    if (!options_.between) return OkStatus();
    if (!options_.port2.empty()) return Open(options_.port2, Side::kHost);
    if (!options_.listen.empty()) {
      Result<std::unique_ptr<ListeningPort>> listening = ListeningPort::Create(options_.listen);
      if (!listening.ok()) return listening.status();
      listening_ = listening->get();
      program_ = std::move(*listening);
    } else {
      Result<std::unique_ptr<PtyPort>> pty = PtyPort::Create(options_.link);
      if (!pty.ok()) return pty.status();
      program_ = std::move(*pty);
    }
    program_facts_ = DescribeTap(*program_, Side::kHost, plan_.asked, plan_.asked);
    return OkStatus();
  }

  Status Open(const std::string& name, Side side) {
    Result<OpenedPort> opened = OpenAndSet(name, plan_.asked, options_.line.open);
    if (!opened.ok()) return opened.status();
    TappedPort tapped;
    tapped.name = name;
    tapped.side = side;
    tapped.facts = DescribeTap(*opened->port, side, plan_.asked, opened->got);
    tapped.opened = std::move(*opened);
    ports_.push_back(std::move(tapped));
    return OkStatus();
  }

  CaptureInfo Describe() const {
    std::vector<Tap> taps;
    for (const TappedPort& tapped : ports_) taps.push_back(tapped.facts);
    if (program_) taps.push_back(program_facts_);
    return DescribeCapture(options_.between ? Origin::kBetween : Origin::kListen, std::move(taps));
  }

  void Start() {
    file_began_ = began_ = clock_.Now();
    recorder_ = std::make_unique<Recorder>(*driver_, series_->writer(), began_);
    recorder_->OnFailure([this](const Status& status) { End(status); });
    recorder_->Watch([this](const Event& event) { Count(event); });
    if (options_.live == "on" || options_.quiet_live ||
        (options_.live == "auto" && screen_.out_is_terminal())) {
      live_ = std::make_unique<LiveAccount>(
          *driver_, *recorder_, screen_,
          options_.quiet_live ? LiveAccount::What::kAllButBytes : LiveAccount::What::kEverything);
    }
    for (TappedPort& tapped : ports_)
      tapped.keeper =
          std::make_unique<PortKeeper>(*driver_, std::move(tapped.opened.port), tapped.opened.got,
                                       FindByHome(tapped.name, options_.line.open));
    if (options_.between)
      StandBetween();
    else
      for (TappedPort& tapped : ports_) ListenAt(tapped);
    TellWhatIsRecorded();
    if (plan_.length) driver_->SetTimer(began_ + *plan_.length, [this](Instant) { End({}); });
    if (plan_.until_silent) AwaitSilence();
    if (plan_.split.any()) LookAtSplit();
    driver_->SetTimer(began_, [this](Instant) { LookAtDisk(); });
    TakeNotes();
    if (screen_.talk_is_terminal()) ShowProgress();
  }

  void ListenAt(TappedPort& tapped) {
    driver_->AddPort(
        *tapped.keeper->port(),
        recorder_->Handlers(tapped.side, {},
                            [this, &tapped](Instant at, ReadOutcome why, const Status& status) {
                              PortEnded(tapped, at, why, status);
                            }));
  }

  void StandBetween() {
    Port& host = program_ ? *program_ : *ports_[1].keeper->port();
    bridge_ = std::make_unique<Bridge>(
        *driver_, *recorder_, host, *ports_[0].keeper->port(),
        [this](Side side, ReadOutcome why, const Status& status) {
          if (side == Side::kHost && program_)
            End(why == ReadOutcome::kFinished ? OkStatus() : status);
          else
            PortEnded(ports_[side == Side::kModule ? 0 : 1], clock_.Now(), why, status);
        },
        ports_[0].opened.got, !options_.line.open.hold_lines);
    const std::string name = SafeName(options_.port);
    if (listening_ != nullptr) {
      const std::string address = SafeName(listening_->address());
      screen_.Data(address);
      screen_.Talk("your program is to connect to " + address + " instead of opening " + name);
      if (listening_->reachable_from_outside())
        screen_.Talk(
            "caution: whoever reaches this machine over the network can now talk to the "
            "module, without a password");
    } else if (program_) {
      screen_.Data(SafeName(program_->name()));
      screen_.Talk("your program is to open " + SafeName(program_->name()) + " instead of " + name);
    } else {
      screen_.Talk("the module is at " + name + ", who talks to it at " + SafeName(options_.port2));
    }
  }

  void TellWhatIsRecorded() {
    std::string what;
    int latency = -1;
    for (const TappedPort& tapped : ports_) {
      if (!what.empty()) what += " and ";
      what += SafeName(tapped.name) + " (" + FormatLineSettings(tapped.opened.got);
      if (ports_.size() > 1) what += std::string(", ") + SideName(tapped.side);
      what += ")";
      latency = std::max(latency, tapped.facts.adapter.latency_timer_ms);
    }
    screen_.Talk("recording " + what + " into " + SafeName(series_->path()) + "; Ctrl-C ends");
    if (latency > 0) {
      std::string talk = "bytes may be stamped up to " + std::to_string(latency) +
                         " ms late (the adapter's latency timer)";
      if (ports_.size() > 1)
        talk += "; which side spoke first is sure when they are further apart than that";
      if (!options_.line.open.low_latency && latency > 1) talk += "; --low-latency asks for less";
      screen_.Talk(talk);
    }
  }

  void PortEnded(TappedPort& tapped, Instant at, ReadOutcome why, const Status& status) {
    if (options_.on_unplug != "wait") {
      End(why == ReadOutcome::kFinished ? OkStatus() : status);
      return;
    }
    if (bridge_) bridge_->Leave(tapped.side);
    screen_.Talk(SafeName(tapped.name) + " is gone; recording goes on when it is back");
    tapped.keeper->AwaitReturn(at, bridge_ ? bridge_->got() : plan_.asked,
                               [this, &tapped](Instant now, Port& port, Duration away) {
                                 Returned(tapped, now, port, away);
                               });
  }

  void Returned(TappedPort& tapped, Instant now, Port& port, Duration away) {
    tapped.facts = DescribeTap(port, tapped.side, plan_.asked, tapped.facts.got);
    const std::string what = tapped.name + " is back" +
                             (port.name() == tapped.name ? "" : " as " + port.name()) + " after " +
                             FormatDuration(away);
    recorder_->Note(now, what);
    screen_.Talk(SafeName(what));
    if (bridge_)
      bridge_->Join(tapped.side, port);
    else
      ListenAt(tapped);
  }

  void LookAtSplit() {
    driver_->SetTimer(clock_.Now() + kLookAtSplit, [this](Instant now) {
      if (series_->Due(now, file_began_, recorder_->last_byte())) BeginNextFile(now);
      if (!ending_) LookAtSplit();
    });
  }

  void BeginNextFile(Instant now) {
    const std::string before = series_->path();
    recorder_->RecordHeld();
    if (live_) live_->Restart();
    if (Status s = series_->Next(Instant() + (now - file_began_)); !s.ok()) {
      End(s);
      return;
    }
    file_began_ = now;
    recorder_->ContinueIn(series_->writer(), now);
    recorder_->Note(now, "continues " + std::filesystem::path(before).filename().string());
    screen_.Talk("now into " + SafeName(series_->path()));
  }

  // Closing a file rewrites it beside itself: so much must be left too.
  void LookAtDisk() {
    std::error_code error;
    const std::filesystem::path path = std::filesystem::absolute(series_->path(), error);
    const auto space = std::filesystem::space(path.parent_path(), error);
    const std::uint64_t size = error ? 0 : std::filesystem::file_size(path, error);
    if (!error && space.available < plan_.keep_free + size) {
      const Status full(Code::kIo, series_->path() + ": ended, since the disk has only " +
                                       FormatSize(space.available) +
                                       " left; what was recorded is whole");
      recorder_->Note(clock_.Now(), full.message());
      End(full);
      return;
    }
    driver_->SetTimer(clock_.Now() + kLookAtDisk, [this](Instant) { LookAtDisk(); });
  }

  void TakeNotes() {
    keyboard_ = Keyboard::Take();
    if (!keyboard_) return;
    screen_.Talk("type a note and press Enter to put it into the capture");
    driver_->WatchReadable(keyboard_->descriptor(), [this](Instant at) {
      Bytes keys;
      if (!keyboard_->Read(keys)) {
        driver_->Unwatch(keyboard_->descriptor());
        return;
      }
      std::string line;
      for (bool complete = typed_.Take(keys, line); complete; complete = typed_.Take({}, line)) {
        if (line.empty()) continue;
        recorder_->Note(at, line);
        if (!live_) screen_.Talk("noted: " + SafeName(line));
      }
      screen_.Progress(ProgressText());
    });
  }

  void AwaitSilence() {
    driver_->SetTimer(recorder_->last_byte() + *plan_.until_silent, [this](Instant now) {
      if (now - recorder_->last_byte() >= *plan_.until_silent)
        End({});
      else
        AwaitSilence();
    });
  }

  void Count(const Event& event) {
    ++events_;
    if (event.kind != EventKind::kBytes && event.kind != EventKind::kBadByte) return;
    (event.side == Side::kHost     ? from_host_
     : event.side == Side::kModule ? from_module_
                                   : from_unknown_) += event.bytes.size();
  }

  bool Hears(Side side) const {
    if (program_ && side == Side::kHost) return true;
    for (const TappedPort& tapped : ports_)
      if (tapped.side == side) return true;
    return false;
  }

  std::string ProgressText() {
    std::string out = FormatDuration(clock_.Now() - began_);
    if (Hears(Side::kHost)) out += "  host " + FormatSize(from_host_);
    if (Hears(Side::kModule)) out += "  module " + FormatSize(from_module_);
    if (Hears(Side::kUnknown)) out += "  heard " + FormatSize(from_unknown_);
    for (const TappedPort& tapped : ports_)
      if (tapped.keeper->port() == nullptr) out += "  " + SafeName(tapped.name) + " is away";
    if (keyboard_ && !typed_.text().empty()) return out + "  note: " + typed_.Shown();
    return out + "  Ctrl-C ends";
  }

  void ShowProgress() {
    screen_.Progress(ProgressText());
    driver_->SetTimer(clock_.Now() + Duration::Milliseconds(250),
                      [this](Instant) { ShowProgress(); });
  }

  void End(const Status& why) {
    if (ending_) return;
    ending_ = true;
    ended_ = why;
    driver_->Stop();
  }

  int Finish(const Status& loop) {
    recorder_->RecordHeld();
    if (live_) live_->Finish();
    std::string passed;
    if (bridge_ && bridge_->delays().count() > 0)
      passed = "passed on within " + FormatDuration(bridge_->delays().Within(0.5)) +
               " of being read, 99 % within " + FormatDuration(bridge_->delays().Within(0.99));
    bridge_.reset();
    const Duration length = clock_.Now() - began_;
    Status written = recorder_->Close();
    if (Status earlier = series_->Finish(); written.ok()) written = earlier;
    keyboard_.reset();
    screen_.Progress("");
    std::string into = SafeName(series_->path());
    if (series_->files() > 1) into = std::to_string(series_->files()) + " files, the last " + into;
    screen_.Talk("recorded " + FormatDuration(length) + ", " + Counted(events_, "event") + ", " +
                 FormatSize(from_host_ + from_module_ + from_unknown_) + " into " + into);
    if (!passed.empty()) screen_.Talk(passed);
    if (program_) program_->Close().Ignore();
    Status closed;
    for (TappedPort& tapped : ports_)
      if (Status s = tapped.keeper->Close(); closed.ok()) closed = s;
    if (!written.ok()) return Fail(kProgram, written);
    if (!loop.ok()) return Fail(kProgram, loop);
    if (ended_.code() == Code::kInterrupted) return kExitInterrupted;
    if (!ended_.ok()) return Fail(kProgram, ended_);
    return closed.ok() ? static_cast<int>(kExitDone) : Fail(kProgram, closed);
  }

  const RecordOptions& options_;
  RecordingPlan plan_;
  Screen screen_;
  MonotonicClock clock_;
  std::unique_ptr<Driver> driver_;
  std::vector<TappedPort> ports_;       // the module's first
  std::unique_ptr<Port> program_;       // where a program comes to us, with --between
  ListeningPort* listening_ = nullptr;  // the same, if it is by TCP
  Tap program_facts_;
  std::string out_;
  Instant began_;
  Instant file_began_;
  std::unique_ptr<CaptureSeries> series_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Bridge> bridge_;
  std::unique_ptr<LiveAccount> live_;
  std::unique_ptr<Keyboard> keyboard_;
  TypedLine typed_;
  std::uint64_t events_ = 0;
  std::uint64_t from_host_ = 0;
  std::uint64_t from_module_ = 0;
  std::uint64_t from_unknown_ = 0;
  bool ending_ = false;
  Status ended_;
};

}  // namespace

int RunRecording(const RecordOptions& options) { return Recording(options).Run(); }

}  // namespace witness
