// bytetrial run: puts a program, a board or a sketch on trial against recorded replies.
#include <pthread.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <thread>

#include "capture/base/clock.h"
#include "capture/base/text.h"
#include "replay/commands/commands.h"
#include "replay/commands/run_results.h"
#include "replay/judge/report.h"
#include "replay/part/build.h"
#include "replay/part/message_text.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

// SIGINT and SIGTERM, taken by a thread of its own, so that every trial ends in good order.
class Interruptions {
 public:
  explicit Interruptions(Subject& subject) {
    sigemptyset(&set_);
    sigaddset(&set_, SIGINT);
    sigaddset(&set_, SIGTERM);
    sigaddset(&set_, SIGUSR1);  // ours: the end of this object
    pthread_sigmask(SIG_BLOCK, &set_, &before_);
    thread_ = std::thread([this, &subject] {
      int signal = 0;
      while (sigwait(&set_, &signal) == 0 && signal != SIGUSR1) subject.Interrupt();
    });
  }
  ~Interruptions() {
    pthread_kill(thread_.native_handle(), SIGUSR1);
    thread_.join();
    pthread_sigmask(SIG_SETMASK, &before_, nullptr);
  }
  Interruptions(const Interruptions&) = delete;
  Interruptions& operator=(const Interruptions&) = delete;

 private:
  sigset_t set_;
  sigset_t before_;
  std::thread thread_;
};

Status WriteWhole(const std::string& text, const std::string& path) {
  return WriteTextFile(text, path, true);
}

Result<TrialsOutcome> RunAsHost(Subject& subject, const Judge& judge, const Part& part) {
  RunLimits limits;
  limits.within = judge.demands().within;
  auto seen = subject.Run(part, limits);
  if (!seen.ok()) return seen.status();
  TrialsOutcome outcome;
  outcome.played = part;
  outcome.following = "are the module's own, compared with the recorded ones";
  outcome.baseline.observations = *std::move(seen);
  outcome.baseline.verdict = judge.OfModule(part.asks, outcome.baseline.observations);
  outcome.baseline.runs = 1;
  outcome.baseline.took = outcome.baseline.observations.ended - Instant();
  std::vector<Duration> errors;
  for (const Said& said : outcome.baseline.observations.said)
    errors.push_back(said.sent - said.send.due);
  outcome.timing = TimingOf(errors);
  return outcome;
}

// One request: `options.request`, complete.
Result<bytewitness::TrialReport> RunOne(RunOptions& options) {
  const RunRequest& request = options.request;
  TrialsSetup setup;
  if (Status status = ReadShard(options.shard, setup.shard, setup.shards); !status.ok())
    return status;
  auto judge = Judge::Create(request.demands);
  if (!judge.ok()) return judge.status();

  BuiltPart built;
  if (request.part) {
    built.part = *request.part;
  } else {
    auto loaded = LoadPartOrCapture(
        request.capture, request.as_host ? witness::Side::kHost : witness::Side::kModule);
    if (!loaded.ok()) return loaded.status();
    built = *std::move(loaded);
  }
  for (const std::string& remark : built.remarks)
    std::fprintf(stderr, "bytetrial run: %s\n", witness::SafeName(remark).c_str());
  if (options.baud != 0) built.part.line.baud = options.baud;
  setup.part = NumberReplies(built.part);
  Part other;
  if (!request.with.empty()) {
    auto loaded = LoadPartOrCapture(request.with, witness::Side::kModule);
    if (!loaded.ok()) return loaded.status();
    other = NumberReplies(std::move(loaded->part));
    setup.with = &other;
  }
  auto plan = PlanOf(request, setup.part);
  if (!plan.ok()) return plan.status();
  if (Status status = CheckWire(request, *plan); !status.ok()) return status;
  auto subject = MakeSubject(request);
  if (!subject.ok()) return subject.status();

  setup.plan = *std::move(plan);
  setup.seed = request.seed;
  setup.run_for = request.run_for;
  setup.repeat = std::max(1u, request.repeat);
  setup.jobs = request.jobs > 0 ? request.jobs : UsualJobs();
  setup.jobs_given = request.jobs > 0;
  if (options.shrink == "off") setup.shrink_runs = 0;
  if (options.shrink == "every") {
    setup.shrink_at_most = 1000;
    setup.shrink_alike = true;
  }
  ReportSetup report_setup;
  report_setup.capture = request.capture.empty() ? options.file : request.capture;
  report_setup.subject = (*subject)->Describe();
  report_setup.seed = setup.seed;
  report_setup.planned = request.as_host ? 0 : setup.plan.size();
  report_setup.shard = setup.shard;
  report_setup.shards = setup.shards;
  report_setup.reproduce = [&](const Combination& combination) {
    return Reproduce(options, **subject, combination);
  };

  const bool progress = isatty(STDERR_FILENO) != 0;
  Result<TrialsOutcome> outcome = Status(Code::kInterrupted, "interrupted");
  {
    const Interruptions interruptions(**subject);
    if (request.as_host) {
      outcome = RunAsHost(**subject, *judge, setup.part);
    } else {
      Trials trials(**subject, *judge, setup);
      if (progress)
        trials.on_trial = [](const TrialResult& result, std::size_t done, std::size_t all) {
          std::fprintf(stderr, "\r\033[K%zu of %zu  %s: %s", done, all,
                       witness::SafeName(CombinationName(result.combination)).c_str(),
                       VerdictName(result.verdict.kind));
          std::fflush(stderr);
        };
      outcome = trials.Run();
    }
  }
  if (progress) std::fputs("\r\033[K", stderr);
  if (!outcome.ok()) return outcome.status();

  if (Status status = KeepAll(options, *outcome); !status.ok()) return status;
  bytewitness::TrialReport report;
  FillReport(*outcome, report_setup, report);
  return report;
}

int Run(RunOptions& options) {
  const auto fail = [](const Status& status) { return witness::Fail("bytetrial run", status); };
  const auto requests = Requests(options);
  if (!requests.ok()) return fail(requests.status());
  bytewitness::TrialReport report;
  bool interrupted = false;
  if (requests->size() == 1) {
    options.request = requests->front();
    auto one = RunOne(options);
    if (!one.ok()) return fail(one.status());
    report = *std::move(one);
    interrupted = report.interrupted();
  } else {
    const std::string keep = options.keep;
    for (std::size_t i = 0; i < requests->size(); ++i) {
      options.request = (*requests)[i];
      const std::string number = "hearing-" + std::to_string(i + 1);
      if (!keep.empty()) options.keep = keep + "/" + number;
      auto one = RunOne(options);
      interrupted = one.ok() ? one->interrupted() : one.status().code() == Code::kInterrupted;
      if (!one.ok() && interrupted && i > 0) break;
      if (!one.ok()) return fail(one.status().In(options.file + ", " + number));
      report.set_tool(one->tool());
      *report.add_hearing() = *std::move(one);
      if (interrupted) break;
    }
  }
  const std::string text = TerminalReport(report, witness::ColorsWanted());
  std::fwrite(text.data(), 1, text.size(),
              options.json == "-" || options.junit == "-" ? stderr : stdout);
  const auto write = [&](const std::string& path, const std::string& content) {
    if (path.empty()) return witness::OkStatus();
    if (path != "-") return WriteWhole(content, path);
    std::fwrite(content.data(), 1, content.size(), stdout);
    return witness::OkStatus();
  };
  if (Status status = write(options.json, JsonReport(report)); !status.ok()) return fail(status);
  if (Status status = write(options.junit, JUnitReport(report)); !status.ok()) return fail(status);
  if (interrupted) return witness::kExitInterrupted;
  return AllHeld(report) ? witness::kExitDone : witness::kExitNo;
}

std::string FactorsHelp() {
  std::string text = "Factors for --vary:\n";
  for (const Factor& factor : Factors()) {
    text += "  " + factor.name;
    text.append(factor.name.size() < 12 ? 12 - factor.name.size() : 1, ' ');
    text += factor.levels + (factor.by_itself ? "  *" : factor.waveform ? "  ~" : "") + "\n";
  }
  return text +
         "  * tried if no --vary is given; ~ only with --sketch, whose wire is modelled bit by "
         "bit.\n"
         "  A level for one reply only: ending=none@2; for what comes unasked only:\n"
         "  ending=none@unasked (ending, split, pace, case, loss and rubbish vary that, too).\n";
}

}  // namespace

void AddRun(CLI::App& app, Outcome& outcome) {
  auto options = std::make_shared<RunOptions>();
  CLI::App* command = app.add_subcommand(
      "run", "Puts a program, a board or a sketch on trial against recorded replies");
  RunRequest& request = options->request;
  command->add_option("FILE", options->file, "Capture, part or trial plan (textproto)")->required();
  command->add_option("PROGRAM", request.program,
                      "Behind --: the program on trial; {port} becomes its port's name");
  command->add_option("--vary", request.vary, "FACTOR=LEVEL,... or FACTOR; may be repeated")
      ->type_name("VARY")
      ->allow_extra_args(false);
  command->add_option("--try", options->tries, "One combination, as in \"ending=none split=2\"")
      ->type_name("COMBINATION")
      ->allow_extra_args(false);
  command->add_flag("--pairs", options->pairs, "Combine so that every pair of levels occurs");
  command->add_flag("--all", options->all, "Try every combination");
  command->add_option("--random", request.random, "Try N combinations drawn with --seed")
      ->type_name("N");
  command->add_option("--seed", request.seed, "For all that is drawn (1)")->type_name("S");
  command->add_option("--with", request.with, "A second capture, for --vary with")
      ->type_name("FILE");
  command->add_flag("--stdio", options->standard_streams,
                    "The program's standard input and output are the line");
  command->add_flag("--tcp", options->tcp, "{port} becomes HOST:PORT, where we listen");
  command->add_option("--port", request.port, "A board (or module) at this port is on trial")
      ->type_name("PORT");
  command->add_option("--as", options->as, "module: we answer; host: we ask the module at --port")
      ->check(CLI::IsMember({"module", "host"}));
  command->add_flag("--reset-by-dtr", request.reset_by_dtr,
                    "Restart the board before each trial by dropping DTR");
  command
      ->add_option("--watch", request.watch,
                   "The port with what the board prints: a second one, or --port itself")
      ->type_name("PORT");
  command->add_option("--baud", options->baud, "Rate of --port, if not as recorded")
      ->type_name("N");
  command->add_option("--sketch", request.sketch, "An emulated sketch is on trial")
      ->type_name("FILE.elf");
  const auto sketch_option = [&](const char* key, const char* type, const char* words) {
    command
        ->add_option_function<std::string>(
            std::string("--") + key,
            [options, key](const std::string& value) { options->sketch_settings[key] = value; },
            words)
        ->type_name(type)
        ->group("With --sketch");
  };
  sketch_option("module-on", "PLACE",
                "Where the module is wired to: uart0 (if nothing is said), uart1:baud=9600, or "
                "pins:rx=10,tx=11,baud=9600 (software serial; rx is the pin on which the board "
                "listens; a number of the board or a port's name as PB2)");
  sketch_option("talk-on", "PLACE",
                "Where the sketch talks to the person, written alike (the first UART that the "
                "module is not on, or the only other software port)");
  sketch_option("mcu", "NAME", "atmega328p, atmega2560, atmega32u4 (as the ELF says)");
  sketch_option("clock", "RATE", "Of the processor: 16MHz (as the ELF says, else 16MHz)");
  sketch_option("watch-pin", "PINS", "Note each change of these pins: 13,PB0");
  sketch_option("brown-out", "TIMES", "The supply dips at these times: 1.5s,3s");
  command->add_option("--ignore", request.demands.ignore, "Parts of output lines that may differ")
      ->type_name("REGEX")
      ->allow_extra_args(false);
  command->add_option("--must-say", request.demands.must_say, "Must be found in the output")
      ->type_name("REGEX")
      ->allow_extra_args(false);
  command->add_option("--must-not-say", request.demands.must_not_say, "Must not be found in it")
      ->type_name("REGEX")
      ->allow_extra_args(false);
  command->add_option("--exit", options->exit, "Exit status that it must end with")->type_name("N");
  command->add_option("--within", options->within, "Longest time of one trial (60s)")
      ->type_name("TIME");
  command
      ->add_option("--for", options->run_for,
                   "A program that runs for ever: watch it for so long (as long as was recorded)")
      ->type_name("TIME");
  command->add_option("--repeat", request.repeat, "Run each trial N times: held k of N")
      ->type_name("N");
  command->add_option("--jobs", request.jobs, "Trials at once (as the machine can bear)")
      ->type_name("N");
  command->add_option("--shard", options->shard, "Only the i-th of n parts of the plan")
      ->type_name("i/n");
  command->add_option("--shrink", options->shrink, "Make broken combinations smaller")
      ->check(CLI::IsMember({"off", "first", "every"}));
  command->add_option("--junit", options->junit, "Write JUnit XML")->type_name("FILE");
  command->add_option("--json", options->json, "Write all results as JSON; - for standard output")
      ->type_name("FILE");
  command->add_option("--keep", options->keep, "Keep each trial's conversation and what broke")
      ->type_name("DIR");
  command->footer(
      FactorsHelp() +
      "\nExample: bytetrial run sedge-b.witness --vary ending -- python3 "
      "butt-watch.py {port}\nExample: bytetrial run sedge-b.witness --sketch butt-watch.elf "
      "--module-on pins:rx=10,tx=11,baud=9600\nExit status: 0 all held, 1 not all, 2 wrong usage "
      "or plan, 3 "
      "a port, file or program failed.");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace trial
