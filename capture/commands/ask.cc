// bytewitness ask: send commands, record and show the answers.
#include "capture/record/ask.h"

#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/commands/screen.h"
#include "capture/commands/session.h"

namespace witness {
namespace {

struct AskOptions {
  LineOptions line;
  std::string port;
  std::vector<std::string> commands;
  std::string out;
  std::string ending = "none";
  std::string quiet = "500ms";
  std::string wait = "2s";
  std::string between;
  std::string reset = "none";
  int times = 1;
  bool json = false;
  bool replace = false;
};

// What was heard, with the echo of the command set apart.
struct Answer {
  Bytes echo;
  std::vector<HeardPiece> pieces;

  Bytes bytes() const {
    Bytes all;
    for (const HeardPiece& piece : pieces) all += piece.bytes;
    return all;
  }
  Duration LongestPause() const {
    Duration longest;
    for (std::size_t i = 1; i < pieces.size(); ++i)
      longest = std::max(longest, pieces[i].at - pieces[i - 1].at);
    return longest;
  }
};

Answer ToAnswer(const Heard& heard) {
  Answer out;
  out.pieces = heard.pieces;
  if (heard.sent.empty() || !heard.bytes().starts_with(heard.sent)) return out;
  out.echo = heard.sent;
  std::size_t left = heard.sent.size();
  while (left > 0 && left >= out.pieces.front().bytes.size()) {
    left -= out.pieces.front().bytes.size();
    out.pieces.erase(out.pieces.begin());
  }
  if (left > 0) out.pieces.front().bytes.erase(0, left);
  return out;
}

std::string Account(const Asked& asked) {
  const Heard& heard = asked.heard;
  const Answer answer = ToAnswer(heard);
  std::string out;
  if (asked.banner)
    out = "        (reset line pulsed)\n";
  else
    out = "host    " + SafeTextWithEnding(heard.sent) + "\n";
  if (!answer.echo.empty()) out += "module  " + SafeTextWithEnding(answer.echo) + "  (echo)\n";
  if (answer.pieces.empty())
    return out + "        nothing " + (answer.echo.empty() ? "" : "else ") + "within " +
           FormatDuration(heard.ended_at - heard.sent_by);
  out += "module  " + SafeTextWithEnding(answer.bytes()) + "\n";
  const Duration turnaround = answer.pieces.front().at - heard.sent_by;
  out += turnaround > Duration::Zero() ? "        after " + FormatDuration(turnaround)
                                       : "        at once";
  if (answer.pieces.size() > 1) {
    out += ", in " + std::to_string(answer.pieces.size()) + " pieces over " +
           FormatDuration(answer.pieces.back().at - answer.pieces.front().at) + " (longest pause " +
           FormatDuration(answer.LongestPause()) + ")";
  }
  if (heard.end == HeardEnd::kTooLong) out += "; still talking, not waited for its end";
  return out;
}

std::string Json(const Asked& asked) {
  const Heard& heard = asked.heard;
  nlohmann::json one;
  one["round"] = asked.round;
  one["command_hex"] = ToHex(heard.sent);
  one["command"] = ToEscapes(heard.sent);
  one["reply_hex"] = ToHex(heard.bytes());
  one["reply"] = ToEscapes(heard.bytes());
  one["echo_bytes"] = ToAnswer(heard).echo.size();  // of the reply, at its beginning
  one["sent_at_ns"] = heard.sent_at.ns();
  one["sent_by_ns"] = heard.sent_by.ns();
  one["ended_by"] = heard.end == HeardEnd::kQuiet     ? "silence"
                    : heard.end == HeardEnd::kNothing ? "nothing came"
                                                      : "time limit";
  nlohmann::json pieces = nlohmann::json::array();
  for (const HeardPiece& piece : heard.pieces)
    pieces.push_back({{"at_ns", piece.at.ns()}, {"hex", ToHex(piece.bytes)}});
  one["pieces"] = pieces;
  return one.dump();
}

Result<AskPlan> Plan(const AskOptions& options) {
  AskPlan plan;
  Result<std::vector<Bytes>> commands = ReadCommands(options.commands);
  if (!commands.ok()) return commands.status();
  plan.commands = *std::move(commands);
  Result<Bytes> ending = EndingBytes(options.ending);
  if (!ending.ok()) return ending.status().In("--ending");
  plan.ending = *ending;
  const auto quiet = ParseDuration(options.quiet);
  if (!quiet.ok()) return quiet.status().In("--quiet");
  const auto wait = ParseDuration(options.wait);
  if (!wait.ok()) return wait.status().In("--wait");
  const auto between = OptionalDuration("--between-commands", options.between);
  if (!between.ok()) return between.status();
  plan.patience.quiet = *quiet;
  plan.patience.wait = *wait;
  plan.between = between->value_or(Duration::Zero());
  plan.times = options.times;
  if (options.reset == "dtr") plan.reset_line = kDtr;
  if (options.reset == "rts") plan.reset_line = kRts;
  return plan;
}

int RunAsk(const AskOptions& options) {
  const Result<AskPlan> plan = Plan(options);
  if (!plan.ok()) return Fail("bytewitness ask", plan.status());
  const Result<LineSettings> settings = ToSettings(options.line);
  if (!settings.ok()) return Fail("bytewitness ask", settings.status());
  const std::string out = options.out.empty() ? FreeCaptureName("ask") : options.out;
  if (Status s = RefuseExisting(out, options.replace); !s.ok()) return Fail("bytewitness ask", s);
  auto session =
      Session::Open(options.port, *settings, options.line.open, Origin::kAsk, out, options.replace);
  if (!session.ok()) return Fail("bytewitness ask", session.status());

  Screen screen;
  std::size_t answered = 0;
  std::size_t silent = 0;
  const Status talked = Ask((*session)->conversation(), *plan, [&](const Asked& asked) {
    ++(ToAnswer(asked.heard).pieces.empty() ? silent : answered);
    screen.Data(options.json ? Json(asked) : Account(asked));
  });
  const Status closed = (*session)->Close(talked);
  const std::string kept =
      Counted((*session)->recorder().events(), "event") + " in " + SafeName(out);
  if (!closed.ok()) {
    screen.Talk("recorded until then: " + kept);
    return Fail("bytewitness ask", closed);
  }
  screen.Talk(std::to_string(answered) + " answered, " + std::to_string(silent) +
              " not; recorded: " + kept);
  if (answered == 0 && options.ending == "none")
    screen.Talk(
        "nothing answered: many modules want a line ending (--ending crlf or --ending cr), another "
        "rate (--baud), or their wires crossed; `bytewitness survey` tries these");
  return kExitDone;
}

}  // namespace

void AddAsk(CLI::App& app, Outcome& outcome) {
  CLI::App* command =
      app.add_subcommand("ask", "Sends commands to a module, shows and records the answers");
  auto options = std::make_shared<AskOptions>();
  command->add_option("PORT", options->port, "Port of the module")->required();
  command
      ->add_option("COMMAND", options->commands,
                   "Commands with C-style escapes (\\r, \\x1b); @FILE for a list, one a line")
      ->required();
  command->add_option("-o,--out", options->out, "Capture file (default: ask.witness, ask-2...)");
  command
      ->add_option("--ending", options->ending,
                   "What ends each command: none, cr, lf or crlf. None by default, since what is "
                   "sent is then exactly what you typed; most modules want crlf or cr")
      ->check(CLI::IsMember({"none", "cr", "lf", "crlf"}))
      ->capture_default_str();
  command->add_option("--quiet", options->quiet, "A reply has ended after so long a silence")
      ->capture_default_str();
  command->add_option("--wait", options->wait, "How long to wait for a reply to begin")
      ->capture_default_str();
  command->add_option("--times", options->times, "Ask the whole list so often")
      ->check(CLI::Range(1, 1'000'000))
      ->capture_default_str();
  command->add_option("--between-commands", options->between,
                      "Silence kept before each further command, e.g. 1s");
  command
      ->add_option("--reset", options->reset,
                   "Release and assert this line first, to reset a board: none, dtr or rts")
      ->check(CLI::IsMember({"none", "dtr", "rts"}))
      ->capture_default_str();
  command->add_flag("--json", options->json, "One JSON object a line, for scripts");
  command->add_flag("--replace", options->replace, "Replace an existing capture file");
  AddLineOptions(*command, options->line);
  command->footer(
      "Commands that change settings may do so for good: read the module's data sheet first.\n"
      "Example: bytewitness ask /dev/ttyUSB0 AT AT+FW? --ending crlf -o sedge.witness");
  command->callback([options, &outcome] { outcome.exit_status = RunAsk(*options); });
}

}  // namespace witness
