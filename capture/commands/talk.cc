// bytewitness talk: type commands, see answers as they come, all of it recorded.
#include <CLI/CLI.hpp>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/commands/line_options.h"
#include "capture/commands/live_account.h"
#include "capture/commands/screen.h"
#include "capture/line/keyboard.h"
#include "capture/record/ask.h"
#include "capture/record/recorder.h"

namespace witness {
namespace {

struct TalkOptions {
  LineOptions line;
  std::string port;
  std::string out;
  std::string ending = "none";
  bool replace = false;
};

constexpr const char* kHelp =
    "Enter sends the line with the chosen ending, which stands in front of it.\n"
    "  \\r \\n \\x1b   these bytes; \\\\ is one backslash\n"
    "  Up, Down     earlier lines\n"
    "  :cr :lf :crlf :none   choose the ending; \":cr TEXT\" for this line only\n"
    "  :note TEXT   puts a note into the capture\n"
    "  :end         ends; Ctrl-C too\n"
    "A line that is to begin with a colon begins with \\x3a.";

class Talk {
 public:
  explicit Talk(const TalkOptions& options) : options_(options) {}

  int Run() {
    if (Status s = Prepare(); !s.ok()) return Fail("bytewitness talk", s);
    const Status loop = driver_->Run();
    return Finish(loop);
  }

 private:
  Status Prepare() {
    const Result<LineSettings> settings = ToSettings(options_.line);
    if (!settings.ok()) return settings.status();
    ending_ = options_.ending;
    keyboard_ = Keyboard::Take();
    if (!keyboard_)
      return Status(Code::kInvalidArgument,
                    "talk needs a terminal to type at; use `bytewitness ask` in scripts");
    out_ = options_.out.empty() ? FreeCaptureName("talk") : options_.out;
    if (Status s = RefuseExisting(out_, options_.replace); !s.ok()) return s;
    Result<OpenedPort> opened = OpenAndSet(options_.port, *settings, options_.line.open);
    if (!opened.ok()) return opened.status();
    port_ = std::move(*opened);
    // A pty or a TCP connection has no rate, whatever is set.
    if (!port_.report.has_rate) port_.got.baud = 0;
    driver_ = Driver::Create(clock_);
    // From here on Ctrl-C closes the file instead of leaving it cut off.
    driver_->OnInterrupt([this](Instant) { End(Status(Code::kInterrupted, "interrupted")); });
    WriterOptions writer_options;
    writer_options.replace = options_.replace;
    Result<std::unique_ptr<CaptureWriter>> writer = CaptureWriter::Create(
        out_,
        DescribeCapture(Origin::kAsk,
                        {DescribeTap(*port_.port, Side::kModule, *settings, port_.got)}),
        writer_options);
    if (!writer.ok()) return writer.status();
    writer_ = std::move(*writer);
    recorder_ = std::make_unique<Recorder>(*driver_, *writer_, clock_.Now());
    recorder_->OnFailure([this](const Status& status) { End(status); });
    live_ = std::make_unique<LiveAccount>(*driver_, *recorder_, screen_);
    driver_->AddPort(
        *port_.port,
        recorder_->Handlers(Side::kModule, {}, [this](Instant, ReadOutcome, const Status& status) {
          End(status.ok() ? Status(Code::kDisconnected, options_.port + ": closed") : status);
        }));
    driver_->WatchReadable(keyboard_->descriptor(), [this](Instant) { TakeKeys(); });
    screen_.Talk("talking to " + SafeName(options_.port) + " (" +
                 (port_.got.baud == 0 ? "no rate of its own" : FormatLineSettings(port_.got)) +
                 "), recorded into " + SafeName(out_) +
                 "; \":help\" helps, \":end\" or Ctrl-C ends");
    Prompt();
    return OkStatus();
  }

  void TakeKeys() {
    Bytes keys;
    if (!keyboard_->Read(keys)) {
      driver_->Unwatch(keyboard_->descriptor());
      End(OkStatus());
      return;
    }
    std::string line;
    for (bool complete = typed_.Take(keys, line); complete && !ended_;
         complete = typed_.Take({}, line))
      TakeLine(line);
    Prompt();
  }

  void TakeLine(const std::string& line) {
    if (line == ":end") return End(OkStatus());
    if (line == ":help") return screen_.Talk(kHelp);
    if (line.starts_with(":note ")) return recorder_->Note(clock_.Now(), line.substr(6));
    if (line.starts_with(':')) {
      const std::size_t space = line.find(' ');
      const std::string name = line.substr(1, space == line.npos ? line.npos : space - 1);
      if (!EndingBytes(name).ok())
        return screen_.Talk("there is no :" + SafeName(name) + "; :help says what there is");
      if (space == line.npos)
        ending_ = name;
      else
        Send(line.substr(space + 1), name);
      return;
    }
    Send(line, ending_);
  }

  void Send(const std::string& text, const std::string& ending) {
    const Result<Bytes> bytes = ParseEscapes(text);
    if (!bytes.ok())
      return screen_.Talk("not sent: " + SafeName(bytes.status().message()) +
                          "; \\\\ is one backslash");
    const Bytes all = *bytes + *EndingBytes(ending);
    if (all.empty()) return;
    recorder_->RecordBytes(clock_.Now(), Side::kHost, all);
    live_->Finish();
    driver_->Write(*port_.port, all);
  }

  void Prompt() { screen_.Progress("[" + ending_ + "] " + typed_.Shown()); }

  void End(const Status& why) {
    if (ended_) return;
    ended_ = true;
    why_ = why;
    driver_->Stop();
  }

  int Finish(const Status& loop) {
    live_->Finish();
    screen_.Progress("");
    const Status written = recorder_->Close();
    keyboard_.reset();
    screen_.Talk("recorded: " + Counted(recorder_->events(), "event") + " in " + SafeName(out_));
    const Status closed = port_.port->Close();
    if (!written.ok()) return Fail("bytewitness talk", written);
    if (!loop.ok()) return Fail("bytewitness talk", loop);
    if (why_.code() == Code::kInterrupted) return kExitInterrupted;
    if (!why_.ok()) return Fail("bytewitness talk", why_);
    return closed.ok() ? static_cast<int>(kExitDone) : Fail("bytewitness talk", closed);
  }

  const TalkOptions& options_;
  Screen screen_;
  MonotonicClock clock_;
  std::unique_ptr<Keyboard> keyboard_;
  OpenedPort port_;
  std::string out_;
  std::string ending_;
  std::unique_ptr<CaptureWriter> writer_;
  std::unique_ptr<Driver> driver_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<LiveAccount> live_;
  TypedLine typed_;
  bool ended_ = false;
  Status why_;
};

}  // namespace

void AddTalk(CLI::App& app, Outcome& outcome) {
  CLI::App* command =
      app.add_subcommand("talk", "Talks to a module line by line; the whole talk is recorded");
  auto o = std::make_shared<TalkOptions>();
  command->add_option("PORT", o->port, "Port of the module")->required();
  command->add_option("-o,--out", o->out, "Capture file (default: talk.witness, talk-2...)");
  command->add_option("--ending", o->ending, "What ends each line: none, cr, lf or crlf")
      ->check(CLI::IsMember({"none", "cr", "lf", "crlf"}))
      ->capture_default_str();
  command->add_flag("--replace", o->replace, "Replace an existing capture file");
  AddLineOptions(*command, o->line);
  command->footer(
      "Type :help for the keys. Commands that change settings may do so for good.\n"
      "Example: bytewitness talk /dev/ttyUSB0 --ending crlf -o talk.witness");
  command->callback([o, &outcome] { outcome.exit_status = Talk(*o).Run(); });
}

}  // namespace witness
