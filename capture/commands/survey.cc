// bytewitness survey: how does an unknown module answer?
#include "capture/record/survey.h"

#include <CLI/CLI.hpp>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/commands/commands.h"
#include "capture/commands/screen.h"
#include "capture/commands/session.h"

namespace witness {
namespace {

struct SurveyOptions {
  LineOptions line;
  std::string port;
  std::string list;
  std::string out;
  std::string query = "AT";
  std::string reset = "none";
  std::string listen = "10s";
  std::string title;
  std::vector<std::uint32_t> bauds;
  int repeats = 5;
  bool line_is_known = false;
  bool longest = false;
  bool allow_changes = false;
  bool replace = false;
};

Result<std::string> ReadText(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in)
    return Status(Code::kNotFound,
                  path + ": cannot open the list of commands: " + std::strerror(errno));
  std::ostringstream text;
  text << in.rdbuf();
  return text.str();
}

Result<SurveyPlan> Plan(const SurveyOptions& options) {
  SurveyPlan plan;
  const Result<LineSettings> line = ToSettings(options.line);
  if (!line.ok()) return line.status();
  plan.line = *line;
  plan.line_is_known = options.line_is_known;
  if (!options.bauds.empty()) {
    plan.bauds = options.bauds;
    plan.rare_bauds.clear();
  }
  if (!options.list.empty()) {
    const Result<std::string> text = ReadText(options.list);
    if (!text.ok()) return text.status();
    Result<std::vector<SurveyCommand>> commands = ReadSurveyList(*text);
    if (!commands.ok()) return commands.status().In(options.list);
    plan.commands = *std::move(commands);
  }
  const Result<Bytes> query = ParseEscapes(options.query);
  if (!query.ok()) return query.status().In("--query");
  plan.query = *query;
  const auto listen = ParseDuration(options.listen);
  if (!listen.ok()) return listen.status().In("--listen");
  plan.listen = *listen;
  plan.repeats = options.repeats;
  plan.find_longest = options.longest;
  plan.allow_changes = options.allow_changes;
  if (options.reset == "dtr") plan.reset_line = kDtr;
  if (options.reset == "rts") plan.reset_line = kRts;
  return plan;
}

Status WriteText(const std::string& path, const std::string& text) {
  std::ofstream out(path, std::ios::binary | std::ios::trunc);
  out << text;
  out.close();
  if (!out) return Status(Code::kIo, path + ": cannot write the profile: " + std::strerror(errno));
  return OkStatus();
}

// As a person would say it.
std::string AboutMinutes(Duration left) {
  const std::int64_t seconds = left.ns() / 1'000'000'000;
  if (seconds < 20) return "some seconds";
  if (seconds < 100) return "about " + std::to_string((seconds + 9) / 10 * 10) + " s";
  return "about " + std::to_string((seconds + 59) / 60) + " min";
}

int Run(const SurveyOptions& options) {
  Result<SurveyPlan> plan = Plan(options);
  if (!plan.ok()) return Fail("bytewitness survey", plan.status());
  const std::string capture = options.out.empty() ? FreeCaptureName("survey") : options.out;
  // The profile stands beside its capture: survey.witness, survey.profile.
  const std::string profile_path =
      std::filesystem::path(capture).replace_extension(".profile").string();
  for (const std::string& path : {capture, profile_path})
    if (Status s = RefuseExisting(path, options.replace); !s.ok())
      return Fail("bytewitness survey", s);
  auto session = Session::Open(options.port, plan->line, options.line.open, Origin::kSurvey,
                               capture, options.replace);
  if (!session.ok()) return Fail("bytewitness survey", session.status());

  Screen screen;
  // A pty or a TCP connection has no rate: what stands behind it may have one.
  if (!(*session)->has_rate() && options.bauds.empty()) {
    plan->line.baud = 0;
    plan->line_is_known = true;
    screen.Talk(SafeName(options.port) +
                ": this port has no rate of its own, so none is looked for (--bauds: look all the "
                "same, if it hands rates on)");
  }
  if (options.allow_changes)
    screen.Talk(
        "--allow-changes: marked commands will be sent. A changed rate or key can lock the module "
        "for good; its data sheet decides");
  Profile profile;
  profile.title = options.title.empty() ? options.port : options.title;
  profile.port = options.port;
  profile.capture = std::filesystem::path(capture).filename().string();
  profile.tool = std::string("bytewitness ") + kToolVersion;
  Recorder& recorder = (*session)->recorder();
  const Status talked =
      RunSurvey((*session)->conversation(), *plan, profile, [&](const SurveyProgress& now) {
        (*session)->conversation().Note("survey: " + now.what);
        if (screen.talk_is_terminal())
          screen.Progress(SafeName(now.what) + "  (" + AboutMinutes(now.left) +
                          " left; Ctrl-C ends, what was found is kept)");
        else
          screen.Talk(SafeName(now.what));
      });
  const Status closed = (*session)->Close(talked);
  screen.Progress("");
  for (const std::string& line : Summary(profile)) screen.Data(line);
  const Status written = WriteText(profile_path, WriteProfile(profile));
  screen.Talk("recorded: " + Counted(recorder.events(), "event") + " in " + SafeName(capture) +
              "; profile in " + SafeName(profile_path));
  screen.Talk("next: bytewitness advise " + SafeName(profile_path));
  if (!closed.ok()) {
    if (closed.code() == Code::kInterrupted) return kExitInterrupted;
    return Fail("bytewitness survey", closed);
  }
  if (!written.ok()) return Fail("bytewitness survey", written);
  return profile.state == ModuleState::kAnswers ? kExitDone : kExitNo;
}

struct AdviseOptions {
  std::string profile;
};

int RunAdvise(const AdviseOptions& options) {
  const Result<Profile> profile = ReadProfileFile(options.profile);
  if (!profile.ok()) return Fail("bytewitness advise", profile.status());
  Screen screen;
  for (const std::string& line : Advice(*profile)) screen.Data(line);
  return profile->state == ModuleState::kAnswers ? kExitDone : kExitNo;
}

}  // namespace

void AddSurvey(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "survey", "Finds out how an unknown module answers: rate, endings, echo, replies, times");
  auto o = std::make_shared<SurveyOptions>();
  command->add_option("PORT", o->port, "Port of the module")->required();
  command->add_option("--commands", o->list,
                      "List of commands to ask, one a line; \"!set ...\" (or !store, !reset, "
                      "!delete, !rate) marks one that changes something");
  command->add_option("-o,--out", o->out,
                      "Capture file (default: survey.witness, survey-2...); the profile goes "
                      "beside it as .profile");
  command->add_option("--query", o->query, "A query that only asks and that the module knows")
      ->capture_default_str();
  command
      ->add_option("--bauds", o->bauds,
                   "Rates to try, in this order (default: the usual ones, 9600 first)")
      ->delimiter(',')
      ->check(CLI::Range(1u, 20'000'000u));
  command->add_flag("--line-is-known", o->line_is_known, "Use --baud and --format, try no others");
  command
      ->add_option("--reset", o->reset,
                   "Release and assert this line first and listen for a banner: none, dtr or rts")
      ->check(CLI::IsMember({"none", "dtr", "rts"}))
      ->capture_default_str();
  command->add_option("--listen", o->listen, "How long to listen for what it says unasked")
      ->capture_default_str();
  command->add_option("--repeats", o->repeats, "How often each query is asked")
      ->check(CLI::Range(1, 1000))
      ->capture_default_str();
  command->add_flag("--longest", o->longest, "Also find the longest command it takes");
  command->add_flag("--allow-changes", o->allow_changes,
                    "Send marked commands too, last. They may lock the module for good");
  command->add_option("--title", o->title, "Name of the module for the profile");
  command->add_flag("--replace", o->replace, "Replace existing files");
  AddLineOptions(*command, o->line);
  command->footer(
      "Only queries are sent unless --allow-changes is given. Exit status 1: it does not answer.\n"
      "Example: bytewitness survey /dev/ttyUSB0 --commands sedge.commands -o sedge-a.witness");
  command->callback([o, &outcome] { outcome.exit_status = Run(*o); });
}

void AddAdvise(CLI::App& app, Outcome& outcome) {
  CLI::App* command =
      app.add_subcommand("advise", "Says what a sketch needs to know, from a survey's profile");
  auto o = std::make_shared<AdviseOptions>();
  command->add_option("PROFILE", o->profile, "Profile that a survey wrote")->required();
  command->footer("Example: bytewitness advise survey.profile");
  command->callback([o, &outcome] { outcome.exit_status = RunAdvise(*o); });
}

}  // namespace witness
