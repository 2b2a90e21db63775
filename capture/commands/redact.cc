// bytewitness redact: a capture without its secrets.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/leftover.h"
#include "capture/commands/screen.h"
#include "capture/show/redact/redact.h"

namespace witness {
namespace {

namespace fs = std::filesystem;

constexpr const char* kProgram = "bytewitness redact";

constexpr std::size_t kMostShown = 40;

struct RedactArguments {
  std::string input, output;
  std::vector<std::string> patterns, values_of;
  bool found = false, anonymous = false, replace = false, json = false;
};

Status CheckTarget(const RedactArguments& arguments) {
  std::error_code error;
  if (fs::equivalent(arguments.input, arguments.output, error))
    return Status(Code::kInvalidArgument,
                  arguments.output + ": is the capture itself, which stays as it is; name another");
  if (!arguments.replace && fs::exists(fs::symlink_status(arguments.output, error)))
    return Status(Code::kInvalidArgument,
                  arguments.output + ": exists; name another file, or --replace it");
  return OkStatus();
}

// Written beside, read back, and given its name only if no secret is left in it.
Result<RedactReport> Make(const RedactArguments& arguments, const RedactOptions& options,
                          const std::string& making) {
  auto redactor = Redactor::Make(options);
  if (!redactor.ok()) return redactor.status();
  auto sink = OpenFileSink(making, true);
  if (!sink.ok()) return sink.status();
  auto report = (*redactor)->Redact([&] { return CaptureReader::Open(arguments.input); }, **sink);
  Status status = report.ok() ? (*sink)->Sync() : report.status();
  const Status closing = (*sink)->Close();
  if (status.ok()) status = closing;
  if (!status.ok()) return status;
  if (report->empty()) return report;
  auto reader = CaptureReader::Open(making);
  if (!reader.ok()) return reader.status();
  if (status = (*redactor)->Check(**reader); !status.ok()) return status;
  std::error_code error;
  fs::rename(making, arguments.output, error);
  if (error) return Status(Code::kIo, arguments.output + ": " + error.message());
  return report;
}

std::string Number(std::uint64_t n, const char* one, const char* many) {
  return std::to_string(n) + " " + (n == 1 ? one : many);
}

void PrintText(const RedactArguments& arguments, const RedactReport& report) {
  std::string line = SafeName(arguments.output) + ": " +
                     Number(report.secrets.size(), "secret", "secrets") + " replaced, " +
                     Number(report.bytes, "byte", "bytes") + "; length and times are as they were";
  std::puts(line.c_str());
  std::size_t shown = 0;
  for (const auto& secret : report.secrets) {
    if (++shown > kMostShown) {
      line = "    and " + std::to_string(report.secrets.size() - kMostShown) +
             " more; --json lists them all";
      std::puts(line.c_str());
      break;
    }
    line = "    " + SafeText(secret.stand_in.substr(0, 24)) +
           (secret.stand_in.size() > 24 ? "..." : "");
    line.resize(std::max<std::size_t>(line.size(), 18), ' ');
    line += "  " + SafeName(secret.why) + ": " + Number(secret.size, "byte", "bytes");
    if (secret.places > 0)
      line += ", in " + Number(secret.places, "place", "places") + ", first at " +
              FormatInstant(secret.first) + " by the " + SideName(secret.side);
    if (secret.texts > 0) line += ", in " + Number(secret.texts, "note or name", "notes or names");
    if (!secret.searched) line += "; too short to be looked for elsewhere";
    std::puts(line.c_str());
  }
  if (!report.facts.empty()) {
    line = "    taken out:";
    for (std::size_t i = 0; i < report.facts.size(); ++i)
      line += (i == 0 ? " " : ", ") + report.facts[i];
    std::puts(line.c_str());
  }
}

void PrintJson(const RedactArguments& arguments, const RedactReport& report) {
  nlohmann::json all{{"file", arguments.output},
                     {"bytes", report.bytes},
                     {"taken_out", report.facts},
                     {"secrets", nlohmann::json::array()}};
  for (const auto& secret : report.secrets) {
    nlohmann::json one{{"why", secret.why},           {"bytes", secret.size},
                       {"places", secret.places},     {"texts", secret.texts},
                       {"searched", secret.searched}, {"stand_in", SafeText(secret.stand_in)}};
    if (secret.places > 0) {
      one["first_at_ns"] = secret.first.ns();
      one["first_side"] = SideName(secret.side);
    }
    all["secrets"].push_back(one);
  }
  std::puts(all.dump(2, ' ', true, nlohmann::json::error_handler_t::replace).c_str());
}

int Run(const RedactArguments& arguments) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  RedactOptions options;
  options.patterns = arguments.patterns;
  options.found = arguments.found;
  options.anonymous = arguments.anonymous;
  for (const std::string& text : arguments.values_of) {
    const auto bytes = ParseEscapes(text);
    if (!bytes.ok()) return fail(bytes.status().In("--value-of"));
    options.values_of.push_back(*bytes);
  }
  if (options.patterns.empty() && options.values_of.empty() && !options.found && !options.anonymous)
    return fail(
        Status(Code::kInvalidArgument,
               "say what is secret: --found, --value-of 'AT+KEY=', --pattern REGEX, --anonymous"));
  if (Status status = CheckTarget(arguments); !status.ok()) return fail(status);
  Screen screen;
  options.progress = [&](const std::string& words) { screen.Progress(words); };
  const std::string making = arguments.output + ".making";
  const Leftover leftover(making);
  const auto report = Make(arguments, options, making);
  screen.Progress("");
  std::error_code error;
  if (!report.ok() || report->empty()) fs::remove(making, error);
  if (!report.ok()) return fail(report.status());
  if (arguments.json) PrintJson(arguments, *report);
  if (report->empty()) {
    std::fprintf(stderr, "%s: %s: nothing of that kind is in it; %s was not written\n", kProgram,
                 SafeName(arguments.input).c_str(), SafeName(arguments.output).c_str());
    return kExitNo;
  }
  if (!arguments.json) PrintText(arguments, *report);
  return SayHowItEnded(kProgram, arguments.input, report->source);
}

}  // namespace

void AddRedact(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "redact", "Writes a capture in which secrets are replaced, with length and times kept");
  auto arguments = std::make_shared<RedactArguments>();
  command->add_option("FILE", arguments->input, "The capture; it is only read")->required();
  command->add_option("-o,--out", arguments->output, "The new capture")->required();
  command
      ->add_option(
          "--value-of", arguments->values_of,
          "What follows this, to the end of the line, is secret: 'AT+KEY='; again for more")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
  command
      ->add_option(
          "--pattern", arguments->patterns,
          "What this regular expression (RE2) finds is secret; if it has groups, what they "
          "hold; again for more")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
  command->add_flag("--found", arguments->found,
                    "What examine's findings call secrets: keys, PINs, passwords, addresses, "
                    "positions, telephone numbers");
  command->add_flag("--anonymous", arguments->anonymous,
                    "Take out host name, names of ports and serial numbers too");
  command->add_flag("--replace", arguments->replace, "Overwrite an existing capture");
  command->add_flag("--json", arguments->json, "The list of what was replaced as JSON");
  command->footer(
      "Each secret gets one stand-in, like #1#######, wherever it was said: in commands, echoes,\n"
      "replies, in pieces, as hexadecimal text, in notes and names. A note marks each place.\n"
      "Exit status: 1 if there was nothing to replace.\n"
      "Example:\n  bytewitness redact talk.witness -o public.witness --found --value-of 'AT+KEY='");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
