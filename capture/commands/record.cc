// bytewitness record: listen at a port, or between a program and a port.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/commands/line_options.h"
#include "capture/commands/screen.h"
#include "capture/line/keyboard.h"
#include "capture/line/pty.h"
#include "capture/record/bridge.h"
#include "capture/record/live_view.h"
#include "capture/record/recorder.h"

namespace witness {
namespace {

struct RecordOptions {
  LineOptions line;
  std::string port;
  std::string out;
  std::string side = "unknown";
  std::string link;
  std::string length;
  std::string until_silent;
  std::string live = "auto";
  std::string durability = "normal";
  bool between = false;
  bool replace = false;
};

// One run of the command; owns everything that lives while recording.
class Recording {
 public:
  explicit Recording(const RecordOptions& options) : options_(options) {}

  int Run() {
    if (Status s = Prepare(); !s.ok()) return Fail("bytewitness record", s);
    Start();
    const Status loop = driver_->Run();
    return Finish(loop);
  }

 private:
  Status Prepare() {
    const Result<LineSettings> settings = ToSettings(options_.line);
    if (!settings.ok()) return settings.status();
    const auto length = OptionalDuration("--for", options_.length);
    if (!length.ok()) return length.status();
    length_ = *length;
    const auto silent = OptionalDuration("--until-silent", options_.until_silent);
    if (!silent.ok()) return silent.status();
    until_silent_ = *silent;
    if (!options_.link.empty() && !options_.between)
      return Status(Code::kInvalidArgument, "--link names the port of --between: give both");

    Result<OpenedPort> opened = OpenAndSet(options_.port, *settings);
    if (!opened.ok()) return opened.status();
    port_ = std::move(*opened);
    side_ = options_.between            ? Side::kModule
            : options_.side == "host"   ? Side::kHost
            : options_.side == "module" ? Side::kModule
                                        : Side::kUnknown;
    std::vector<Tap> taps = {DescribeTap(*port_.port, side_, *settings, port_.got)};
    if (options_.between) {
      Result<std::unique_ptr<PtyPort>> pty = PtyPort::Create(options_.link);
      if (!pty.ok()) return pty.status();
      pty_ = std::move(*pty);
      taps.push_back(DescribeTap(*pty_, Side::kHost, *settings, *settings));
    }
    WriterOptions writer_options;
    writer_options.replace = options_.replace;
    writer_options.durability = options_.durability == "strict"    ? Durability::kStrict
                                : options_.durability == "relaxed" ? Durability::kRelaxed
                                                                   : Durability::kNormal;
    out_ = options_.out.empty() ? FreeCaptureName("record") : options_.out;
    Result<std::unique_ptr<CaptureWriter>> writer = CaptureWriter::Create(
        out_, DescribeCapture(options_.between ? Origin::kBetween : Origin::kListen, taps),
        writer_options);
    if (!writer.ok()) return writer.status();
    writer_ = std::move(*writer);
    return OkStatus();
  }

  void Start() {
    driver_ = Driver::Create(clock_);
    recorder_ = std::make_unique<Recorder>(*driver_, *writer_, clock_.Now());
    recorder_->OnFailure([this](const Status& status) { End(status); });
    recorder_->Watch([this](const Event& event) { Count(event); });
    if (options_.live == "on" || (options_.live == "auto" && screen_.out_is_terminal())) {
      live_ = std::make_unique<LiveView>(screen_.colour(),
                                         [this](const std::string& line) { screen_.Data(line); });
      recorder_->Watch([this](const Event& event) {
        live_->OnEvent(event);
        ArmLive();
      });
    }
    const auto gone = [this](ReadOutcome why, const Status& status) {
      End(why == ReadOutcome::kFinished ? OkStatus() : status);
    };
    if (options_.between) {
      bridge_ = std::make_unique<Bridge>(
          *driver_, *recorder_, *pty_, *port_.port,
          [gone](Side, ReadOutcome why, const Status& status) { gone(why, status); });
      screen_.Data(SafeName(pty_->program_side()));
      screen_.Talk("your program is to open " + SafeName(pty_->program_side()) + " instead of " +
                   SafeName(options_.port));
    } else {
      driver_->AddPort(
          *port_.port,
          recorder_->Handlers(side_, {}, [gone](Instant, ReadOutcome why, const Status& status) {
            gone(why, status);
          }));
    }
    screen_.Talk("recording " + SafeName(options_.port) + " (" + FormatLineSettings(port_.got) +
                 ") into " + SafeName(out_) + "; Ctrl-C ends");
    driver_->OnInterrupt([this](Instant) { End(Status(Code::kInterrupted, "interrupted")); });
    if (length_) driver_->SetTimer(recorder_->began() + *length_, [this](Instant) { End({}); });
    if (until_silent_) AwaitSilence();
    TakeNotes();
    if (screen_.talk_is_terminal()) ShowProgress();
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
    driver_->SetTimer(recorder_->last_byte() + *until_silent_, [this](Instant now) {
      if (now - recorder_->last_byte() >= *until_silent_)
        End({});
      else
        AwaitSilence();
    });
  }

  void ArmLive() {
    if (live_armed_ || live_->NextTick().never()) return;
    live_armed_ = true;
    driver_->SetTimer(recorder_->began() + (live_->NextTick() - Instant()), [this](Instant now) {
      live_armed_ = false;
      live_->Tick(Instant() + (now - recorder_->began()));
      ArmLive();
    });
  }

  void Count(const Event& event) {
    if (event.kind != EventKind::kBytes && event.kind != EventKind::kBadByte) return;
    (event.side == Side::kHost     ? from_host_
     : event.side == Side::kModule ? from_module_
                                   : from_unknown_) += event.bytes.size();
  }

  std::string ProgressText() {
    std::string out = FormatDuration(clock_.Now() - recorder_->began());
    if (options_.between || side_ == Side::kHost) out += "  host " + FormatSize(from_host_);
    if (options_.between || side_ == Side::kModule) out += "  module " + FormatSize(from_module_);
    if (!options_.between && side_ == Side::kUnknown) out += "  heard " + FormatSize(from_unknown_);
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
    if (live_) live_->Flush();
    bridge_.reset();
    const Status written = recorder_->Close();
    keyboard_.reset();
    screen_.Progress("");
    screen_.Talk("recorded " + FormatDuration(clock_.Now() - recorder_->began()) + ", " +
                 std::to_string(recorder_->events()) + " events, " +
                 FormatSize(recorder_->payload_bytes()) + " into " + SafeName(out_));
    if (pty_) pty_->Close().Ignore();
    const Status closed = port_.port->Close();
    if (!written.ok()) return Fail("bytewitness record", written);
    if (!loop.ok()) return Fail("bytewitness record", loop);
    if (ended_.code() == Code::kInterrupted) return kExitInterrupted;
    if (!ended_.ok()) return Fail("bytewitness record", ended_);
    return closed.ok() ? static_cast<int>(kExitDone) : Fail("bytewitness record", closed);
  }

  const RecordOptions& options_;
  Screen screen_;
  MonotonicClock clock_;
  OpenedPort port_;
  std::unique_ptr<PtyPort> pty_;
  Side side_ = Side::kUnknown;
  std::string out_;
  std::optional<Duration> length_;
  std::optional<Duration> until_silent_;
  std::unique_ptr<CaptureWriter> writer_;
  std::unique_ptr<Driver> driver_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Bridge> bridge_;
  std::unique_ptr<LiveView> live_;
  bool live_armed_ = false;
  std::unique_ptr<Keyboard> keyboard_;
  TypedLine typed_;
  std::uint64_t from_host_ = 0;
  std::uint64_t from_module_ = 0;
  std::uint64_t from_unknown_ = 0;
  bool ending_ = false;
  Status ended_;
};

}  // namespace

void AddRecord(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "record", "Records what is said on a line: listening at a port, or between program and port");
  auto options = std::make_shared<RecordOptions>();
  command->add_option("PORT", options->port, "Port to record")->required();
  command->add_option("-o,--out", options->out,
                      "Capture file (default: record.witness, record-2...)");
  command->add_flag("--between", options->between,
                    "Stand between your program and PORT: prints the port to open instead");
  command->add_option("--link", options->link,
                      "With --between: make this a link to the program's port");
  command
      ->add_option("--side", options->side,
                   "Whose bytes PORT hears when only listening: host, module or unknown")
      ->check(CLI::IsMember({"host", "module", "unknown"}))
      ->capture_default_str();
  command->add_option("--for", options->length, "End after so long, e.g. 30s");
  command->add_option("--until-silent", options->until_silent,
                      "End after so long a silence, e.g. 5s");
  command->add_option("--live", options->live, "Show what is said as it comes: auto, on or off")
      ->check(CLI::IsMember({"auto", "on", "off"}))
      ->capture_default_str();
  command->add_flag("--replace", options->replace, "Replace an existing capture file");
  command
      ->add_option("--durability", options->durability,
                   "How soon the file is brought to the disk: relaxed (at the end), normal (each "
                   "second) or strict (each 250 ms)")
      ->check(CLI::IsMember({"relaxed", "normal", "strict"}))
      ->capture_default_str();
  AddLineOptions(*command, options->line);
  command->footer(
      "If the program is killed at most the last 250 ms are lost; if the power fails, what was\n"
      "not yet brought to the disk (see --durability).\n"
      "Notes typed while recording go into the capture. Listening never sends.\n"
      "5 V and RS-232 levels destroy 3.3 V inputs: shift levels, join grounds, see the README.\n"
      "Example: bytewitness record --between /dev/ttyUSB0 -o talk.witness");
  command->callback([options, &outcome] { outcome.exit_status = Recording(*options).Run(); });
}

}  // namespace witness
