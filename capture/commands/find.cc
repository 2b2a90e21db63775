// bytewitness find: where something was said.
#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/examine/finder.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness find";
constexpr std::size_t kShownBytes = 120;

struct FindArguments {
  std::string capture;
  std::string pattern;
  bool hex = false, expression = false, json = false, count = false;
  std::string side;
};

std::string TextOf(const Match& match) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-7s ", FormatInstant(match.at).c_str(),
                SideName(match.side));
  std::string out = head + SafeText(ByteView(match.bytes).substr(0, kShownBytes));
  if (match.bytes.size() > kShownBytes)
    out += "... (" + std::to_string(match.bytes.size()) + " bytes)";
  return out + "  event " + std::to_string(match.event) + ", byte " + std::to_string(match.offset) +
         "\n";
}

std::string JsonOf(const Match& match) {
  nlohmann::json one;
  one["at_ns"] = match.at.ns();
  one["side"] = SideName(match.side);
  one["event"] = match.event;
  one["offset"] = match.offset;
  one["hex"] = ToHex(match.bytes);
  return one.dump() + "\n";
}

Result<std::unique_ptr<Finder>> MakeFinder(const FindArguments& arguments, Finder::Sink sink) {
  if (arguments.expression) return Finder::ForExpression(arguments.pattern, std::move(sink));
  auto bytes = arguments.hex ? FromHex(arguments.pattern) : ParseEscapes(arguments.pattern);
  if (!bytes.ok()) return bytes.status();
  return Finder::ForBytes(*bytes, std::move(sink));
}

int Run(const FindArguments& arguments) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  auto output = TextOutput::Open("");
  if (!output.ok()) return fail(output.status());
  Status status;
  std::uint64_t found = 0;
  auto finder = MakeFinder(arguments, [&](const Match& match) {
    ++found;
    if (!arguments.count && status.ok())
      status = (*output)->Write(arguments.json ? JsonOf(match) : TextOf(match));
  });
  if (!finder.ok()) return fail(finder.status());
  auto reader = CaptureReader::Open(arguments.capture);
  if (!reader.ok()) return fail(reader.status());
  Event event;
  while (status.ok()) {
    const CaptureReader::Outcome outcome = (*reader)->Next(event);
    if (outcome == CaptureReader::Outcome::kFailed) return fail((*reader)->status());
    if (outcome == CaptureReader::Outcome::kEnd) break;
    if (!arguments.side.empty() && event.kind != EventKind::kGap &&
        arguments.side != SideName(event.side))
      continue;
    (*finder)->Take(event, (*reader)->index());
  }
  (*finder)->Finish();
  if (arguments.count && status.ok()) status = (*output)->Write(std::to_string(found) + "\n");
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  const int ended = SayHowItEnded(kProgram, arguments.capture, (*reader)->ending());
  if (ended != kExitDone) return ended;
  if (found > 0) return kExitDone;
  std::fprintf(stderr, "%s: %s is nowhere in %s%s%s\n", kProgram,
               SafeText(arguments.pattern).c_str(), SafeText(arguments.capture).c_str(),
               arguments.side.empty() ? "" : " on the side of the ",
               arguments.side.empty() ? "" : arguments.side.c_str());
  return kExitNo;
}

}  // namespace

void AddFind(CLI::App& app, Outcome& outcome) {
  CLI::App* command =
      app.add_subcommand("find", "Finds bytes or an expression, across reads; status 1 if nowhere");
  auto arguments = std::make_shared<FindArguments>();
  command->add_option("CAPTURE", arguments->capture, "The capture")->required();
  command->add_option("PATTERN", arguments->pattern, "Text with C escapes: \"OK\\r\"")->required();
  auto* hex = command->add_flag("--hex", arguments->hex, "The pattern is hexadecimal: 4f4b0d");
  command
      ->add_flag("--expression", arguments->expression, "The pattern is a regular expression (RE2)")
      ->excludes(hex);
  command->add_option("--side", arguments->side, "Only what this side said")
      ->check(CLI::IsMember({"host", "module", "unknown"}));
  command->add_flag("--count", arguments->count, "Only how many");
  command->add_flag("--json", arguments->json, "One JSON object a match");
  command->footer("Example:\n  bytewitness find talk.witness --expression '\\+JOIN: [0-9]+'");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
