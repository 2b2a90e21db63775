#include "replay/subject/program.h"

#include <fcntl.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <optional>

#include "capture/base/bytes.h"
#include "capture/base/clock.h"
#include "capture/base/text.h"
#include "capture/line/driver.h"
#include "replay/play/live.h"
#include "replay/subject/child.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

// Given to a program that was told to end, before it is killed.
constexpr Duration kPatience = Duration::Milliseconds(500);
// Given to helpers of a program that has ended, before they are called left behind.
constexpr Duration kGrace = Duration::Milliseconds(100);
// A program that runs for ever may still print what it has to say of a command that it just sent.
constexpr Duration kSettle = Duration::Milliseconds(100);
// More output than this is thrown away, and said so.
constexpr std::size_t kMostOutput = 8'000'000;

struct Pipe {
  int read = -1;
  int write = -1;
  ~Pipe() {
    CloseWrite();
    if (read >= 0) close(read);
  }
  Pipe() = default;
  Pipe(const Pipe&) = delete;
  Pipe& operator=(const Pipe&) = delete;
  Status Open() {
    int both[2];
    if (pipe2(both, O_CLOEXEC) != 0)
      return {Code::kIo, std::string("cannot make a pipe: ") + std::strerror(errno)};
    read = both[0];
    write = both[1];
    fcntl(read, F_SETFL, O_NONBLOCK);
    return witness::OkStatus();
  }
  void CloseWrite() {
    if (write >= 0) close(write);
    write = -1;
  }
};

std::string Replaced(std::string text, const std::string& what, const std::string& by) {
  for (std::size_t at = 0; (at = text.find(what, at)) != std::string::npos; at += by.size())
    text.replace(at, what.size(), by);
  return text;
}

// One trial of a program, from its start to the last of its descendants.
class ProgramRun {
 public:
  ProgramRun(const ProgramSetup& setup, const Part& part, const RunLimits& limits, int interrupt)
      : setup_(setup),
        limits_(limits),
        interrupt_(interrupt),
        driver_(witness::Driver::Create(clock_)),
        player_(part) {}

  Result<Observations> Run() {
    auto line = LineEnd::Create(setup_.link, player_.part().line);
    if (!line.ok()) return line.status();
    line_ = std::move(*line);
    seen_.port_name = line_->name();
    if (Status status = StartProgram(); !status.ok()) return status;

    driver_->WatchReadable(interrupt_, [this](Instant) {
      interrupted_ = true;
      driver_->Stop();
    });
    driver_->WatchReadable(child_.ended_handle(), [this](Instant at) { OnEnded(at); });
    WatchOutput(output_, false);
    WatchOutput(errors_, true);
    driver_->SetTimer(clock_.Now() + limits_.within,
                      [this](Instant at) { EndIt(at, SubjectEnding::kOutOfTime); });
    if (limits_.watch > Duration::Zero())
      driver_->SetTimer(clock_.Now() + limits_.watch,
                        [this](Instant at) { EndIt(at, SubjectEnding::kOver); });
    if (line_->port() != nullptr)
      StartPlaying();
    else
      driver_->WatchReadable(line_->connect_handle(), [this](Instant) { OnConnect(); });
    const Status loop = driver_->Run();
    if (!loop.ok()) return loop;
    if (interrupted_) {
      child_.EndAll();
      return Status(Code::kInterrupted, "interrupted");
    }
    return Finish();
  }

 private:
  Status StartProgram() {
    if (Status status = output_.Open(); !status.ok()) return status;
    if (Status status = errors_.Open(); !status.ok()) return status;
    ChildSetup child;
    for (const std::string& argument : setup_.arguments)
      child.arguments.push_back(Replaced(argument, "{port}", line_->name()));
    // Python writes to a pipe in large blocks; what was not yet written is lost when it is ended.
    child.environment["PYTHONUNBUFFERED"] = "1";
    child.environment["BYTETRIAL_PORT"] = line_->name();
    child.standard_input = line_->child_end();
    child.standard_output = line_->child_end() >= 0 ? line_->child_end() : output_.write;
    child.standard_error = errors_.write;
    const Status status = child_.Start(child);
    output_.CloseWrite();
    errors_.CloseWrite();
    return status;
  }

  void StartPlaying() {
    LiveHooks hooks;
    hooks.on_said = [this](const Send& send, Instant sent) {
      seen_.said.push_back({send, sent});
      Keep(sent, witness::Side::kModule, send.bytes);
    };
    hooks.on_heard = [this](Instant at, ByteView bytes) {
      if (player_.unfinished().empty()) NoteUnread(at);
      if (limits_.stop_behind && player_.commands().size() >= *limits_.stop_behind &&
          player_.unfinished().empty() && bytes.find_first_not_of("\r\n") != ByteView::npos)
        BeginsOneTooMany(at);
      Keep(at, witness::Side::kHost, bytes);
    };
    hooks.on_step = [this](Instant at) { LookForTheEnd(at); };
    live_ = std::make_unique<LivePlayer>(player_, *driver_, *line_->port(), setup_.spin,
                                         std::move(hooks));
    live_->Start();
  }

  // Before the first byte of a command is taken.
  void NoteUnread(Instant at) {
    if (player_.commands().empty()) waited_before_ = child_.Use().waited;
    const std::size_t unread = line_->unread();
    if (unread == 0 || player_.commands().empty()) return;
    seen_.remarks.push_back({"unread", at,
                             std::to_string(unread) + (unread == 1 ? " byte" : " bytes") +
                                 " unread when command " +
                                 std::to_string(player_.commands().size() + 1) + " came",
                             unread});
  }

  void OnConnect() {
    driver_->Unwatch(line_->connect_handle());
    if (line_->Accept().ok()) StartPlaying();
  }

  void Keep(Instant at, witness::Side side, ByteView bytes) {
    witness::Event event;
    event.at = at;
    event.side = side;
    event.bytes = bytes;
    seen_.conversation.emplace_back(event);
  }

  void WatchOutput(Pipe& pipe, bool errors) {
    driver_->WatchReadable(pipe.read, [this, &pipe, errors](Instant at) {
      if (!Drain(pipe, errors, at)) driver_->Unwatch(pipe.read);
    });
  }

  // False: nothing more will come.
  bool Drain(Pipe& pipe, bool errors, Instant at) {
    char buffer[16384];
    for (;;) {
      const ssize_t n = read(pipe.read, buffer, sizeof buffer);
      if (n == 0) return false;
      if (n < 0) return errno == EAGAIN || errno == EINTR;
      if (ended_by_us_ == SubjectEnding::kOver) continue;  // what it says to being ended
      printed_size_ += static_cast<std::size_t>(n);
      if (printed_size_ <= kMostOutput)
        seen_.printed.push_back({at, errors, Bytes(buffer, static_cast<std::size_t>(n))});
    }
  }

  void OnEnded(Instant at) {
    ended_ = true;
    seen_.ended = at;
    driver_->Stop();
  }

  // It runs for ever, and has said all that is compared: nothing more is answered.
  void BeginsOneTooMany(Instant at) {
    if (ended_at_) return;
    ended_at_ = at;
    live_->Stop();
    driver_->SetTimer(at + kSettle, [this](Instant now) { EndIt(now, SubjectEnding::kOver); });
  }

  void LookForTheEnd(Instant at) {
    const std::size_t count = player_.commands().size();
    if (limits_.stop_behind) {
      // Anew with each byte that is said.
      if (linger_timer_ != 0) driver_->CancelTimer(linger_timer_);
      linger_timer_ = 0;
      if (count >= *limits_.stop_behind && player_.Idle())
        linger_timer_ = driver_->SetTimer(at + limits_.linger, [this](Instant now) {
          linger_timer_ = 0;
          if (!ended_at_) EndIt(now, SubjectEnding::kOver);
        });
    } else if (limits_.patience > Duration::Zero() && !patience_runs_ &&
               count >= limits_.recorded_commands && player_.Idle()) {
      patience_runs_ = true;
      const Duration took = at - (count > 0 ? player_.commands()[0].from : Instant());
      driver_->SetTimer(at + std::max(limits_.patience, took * 2),
                        [this](Instant now) { EndIt(now, SubjectEnding::kOver); });
    }
  }

  // Asks it to end, then makes it.
  void EndIt(Instant at, SubjectEnding ending) {
    if (ended_) return;
    if (!ended_by_us_) {
      Drain(output_, false, at);
      Drain(errors_, true, at);
      ended_by_us_ = ending;
      if (!ended_at_) ended_at_ = at;
      if (live_ && ending == SubjectEnding::kOver) live_->Stop();
      child_.Signal(SIGTERM);
      driver_->SetTimer(at + kPatience, [this, ending](Instant now) { EndIt(now, ending); });
      return;
    }
    child_.Signal(SIGKILL);
  }

  Observations Finish() {
    if (live_) live_->Stop();
    const Instant ended = ended_at_.value_or(seen_.ended);
    const ProcessorUse use = child_.Use();
    const ChildEnding ending = child_.Wait();
    seen_.starved = std::max(use.waited - waited_before_, Duration::Zero());
    // What rusage counts in whole clock ticks need not agree with the scheduler's nanoseconds.
    seen_.has_helpers = ending.cpu_time > use.ran + use.ran / 5 + Duration::Milliseconds(10);
    // What it wrote last, and what its helpers still write; not what it says to being ended.
    if (ended_by_us_ != SubjectEnding::kOver) {
      Drain(output_, false, ended);
      Drain(errors_, true, ended);
    }
    seen_.ended = ended;
    if (const Instant next = player_.NextAt(); live_ && next < ended) seen_.overdue = ended - next;
    seen_.cpu_time = ending.cpu_time;
    if (ended_by_us_)
      seen_.ending = *ended_by_us_;
    else if (ending.by_signal)
      seen_.ending = SubjectEnding::kSignalled;
    else
      seen_.ending = SubjectEnding::kExited;
    if (ended_by_us_ != SubjectEnding::kOver)
      (ending.by_signal ? seen_.signal : seen_.exit_status) = ending.status;
    seen_.commands = player_.commands();
    if (limits_.stop_behind && seen_.commands.size() > *limits_.stop_behind)
      seen_.commands.resize(*limits_.stop_behind);
    seen_.answers = player_.answers();
    seen_.unfinished = Bytes(player_.unfinished());
    seen_.unread_bytes = line_->unread();
    if (line_->port() != nullptr) seen_.unread_bytes += driver_->Unwritten(*line_->port());
    NoteOrphans();
    child_.EndAll();
    if (printed_size_ > kMostOutput)
      seen_.remarks.push_back({"output", ended,
                               "printed " + witness::FormatSize(printed_size_) + ", of which " +
                                   witness::FormatSize(kMostOutput) + " were looked at",
                               printed_size_});
    return std::move(seen_);
  }

  // Descendants that outlive the program, unless they are just about to end.
  void NoteOrphans() {
    auto left = child_.Descendants();
    const Instant until = clock_.Now() + kGrace;
    while (!left.empty() && clock_.Now() < until) {
      usleep(5000);
      left = child_.Descendants();
    }
    if (left.empty() || ended_by_us_) return;
    seen_.remarks.push_back({"orphan", seen_.ended,
                             left.size() == 1 ? "left a process behind; it was ended"
                                              : "left " + std::to_string(left.size()) +
                                                    " processes behind; they were ended",
                             left.size()});
  }

  const ProgramSetup& setup_;
  RunLimits limits_;
  int interrupt_;
  witness::MonotonicClock clock_;
  std::unique_ptr<witness::Driver> driver_;
  Player player_;
  std::unique_ptr<LineEnd> line_;
  std::unique_ptr<LivePlayer> live_;
  Pipe output_;
  Pipe errors_;
  Child child_;
  Observations seen_;
  std::size_t printed_size_ = 0;
  Duration waited_before_;  // for a processor, before its first command
  bool ended_ = false;
  std::optional<SubjectEnding> ended_by_us_;
  std::optional<Instant> ended_at_;  // what comes behind is not looked at
  witness::TimerId linger_timer_ = 0;
  bool patience_runs_ = false;
  bool interrupted_ = false;
};

class ProgramSubject : public Subject {
 public:
  explicit ProgramSubject(const ProgramSetup& setup)
      : setup_(setup), interrupt_(eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {}
  ~ProgramSubject() override {
    if (interrupt_ >= 0) close(interrupt_);
  }
  ProgramSubject(const ProgramSubject&) = delete;
  ProgramSubject& operator=(const ProgramSubject&) = delete;

  std::string Describe() const override {
    std::string words = "program";
    for (const std::string& argument : setup_.arguments) words += " " + argument;
    return witness::SafeName(words);
  }
  std::string CommandLine() const override {
    std::string words = setup_.link == Link::kStandardStreams ? "--stdio --"
                        : setup_.link == Link::kTcp           ? "--tcp --"
                                                              : "--";
    for (const std::string& argument : setup_.arguments) words += " " + ShellQuoted(argument);
    return words;
  }
  bool virtual_time() const override { return false; }
  int most_at_once() const override { return 256; }

  Result<Observations> Run(const Part& part, const RunLimits& limits) override {
    return ProgramRun(setup_, part, limits, interrupt_).Run();
  }

  void Interrupt() override {
    const std::uint64_t one = 1;
    [[maybe_unused]] const ssize_t n = write(interrupt_, &one, sizeof one);
  }

 private:
  ProgramSetup setup_;
  int interrupt_;
};

}  // namespace

std::string ShellQuoted(const std::string& word) {
  const std::string plain =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_@%+=:,./-{}";
  if (!word.empty() && word.find_first_not_of(plain) == std::string::npos) return word;
  const auto is_control = [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; };
  if (std::none_of(word.begin(), word.end(), is_control))
    return "'" + Replaced(word, "'", "'\\''") + "'";
  // What would not come through a terminal is written out, as bash and most other shells read it.
  std::string out = "$'";
  for (const char c : word) {
    if (is_control(c))
      out += c == '\n' ? "\\n" : "\\x" + witness::ToHex(ByteView(&c, 1));
    else
      out += std::string(c == '\'' || c == '\\' ? "\\" : "") + c;
  }
  return out + "'";
}

Result<std::unique_ptr<Subject>> MakeProgramSubject(const ProgramSetup& setup) {
  if (setup.arguments.empty())
    return Status(Code::kInvalidArgument, "name the program on trial behind --");
  bool named = setup.link == Link::kStandardStreams;
  for (const std::string& argument : setup.arguments)
    named = named || argument.find("{port}") != std::string::npos;
  if (!named)
    return Status(Code::kInvalidArgument,
                  "the program is not told its port: put {port} where its name belongs, as in "
                  "-- python3 script.py {port}");
  return std::unique_ptr<Subject>(new ProgramSubject(setup));
}

}  // namespace trial
