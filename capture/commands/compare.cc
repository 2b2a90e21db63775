// bytewitness compare: whether two captures or profiles tell of modules that answer alike.
#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/compare_profiles.h"
#include "capture/commands/hearing.h"
#include "capture/commands/screen.h"
#include "capture/examine/compare.h"
#include "capture/profile/profile.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness compare";

struct CompareArguments {
  std::string first, second;
  CompareOptions options;
  bool json = false;
};

Result<WholeConversation> Load(const std::string& path) {
  const auto one_line = OneLineOf(path, {}, false, false);
  if (!one_line.ok()) return one_line.status();
  if (!one_line->words.empty()) Screen().Talk(one_line->words);
  auto reader = CaptureReader::Open(path, one_line->reading);
  if (!reader.ok()) return reader.status();
  auto conversation = ReadConversation(**reader, OptionsFor((*reader)->info()));
  if (conversation.ok() && !conversation->complete)
    std::fprintf(stderr, "%s: %s: only the first 16 MB are compared\n", kProgram,
                 SafeName(path).c_str());
  return conversation;
}

std::string Where(const WholeConversation& conversation, std::size_t index) {
  const Segment& command = conversation.exchanges[index].command;
  return SafeTextWithEnding(command.bytes) + "  (command " + std::to_string(index + 1) + ", at " +
         FormatInstant(command.from) + ")";
}

std::string Text(const Comparison& comparison, const WholeConversation& a,
                 const WholeConversation& b) {
  std::string out;
  for (const Difference& d : comparison.differences) {
    switch (d.kind) {
      case Difference::Kind::kOnlyInFirst:
        out += "only in the first   " + Where(a, *d.first) + "\n";
        break;
      case Difference::Kind::kOnlyInSecond:
        out += "only in the second  " + Where(b, *d.second) + "\n";
        break;
      case Difference::Kind::kChanged:
        out += "differs             " + Where(a, *d.first) + "\n";
        for (const std::string& what : d.what) out += "    " + what + "\n";
        break;
    }
  }
  return out + std::to_string(comparison.same) + " exchanges are alike, " +
         std::to_string(comparison.differences.size()) + " differ\n";
}

std::string Json(const Comparison& comparison) {
  nlohmann::json out;
  out["same"] = comparison.same;
  out["differences"] = nlohmann::json::array();
  for (const Difference& d : comparison.differences) {
    nlohmann::json one;
    one["kind"] = d.kind == Difference::Kind::kChanged       ? "differs"
                  : d.kind == Difference::Kind::kOnlyInFirst ? "only-in-first"
                                                             : "only-in-second";
    if (d.first) one["first"] = *d.first + 1;
    if (d.second) one["second"] = *d.second + 1;
    one["what"] = d.what;
    out["differences"].push_back(one);
  }
  return out.dump(2, ' ', true, nlohmann::json::error_handler_t::replace) + "\n";
}

int Run(const CompareArguments& arguments) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  if (LooksLikeProfile(arguments.first) || LooksLikeProfile(arguments.second))
    return RunCompareProfiles(arguments.first, arguments.second, arguments.json);
  const auto a = Load(arguments.first);
  if (!a.ok()) return fail(a.status());
  const auto b = Load(arguments.second);
  if (!b.ok()) return fail(b.status());
  const Comparison comparison = Compare(*a, *b, arguments.options);
  auto output = TextOutput::Open("");
  if (!output.ok()) return fail(output.status());
  Status status = (*output)->Write(arguments.json ? Json(comparison) : Text(comparison, *a, *b));
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  return comparison.differences.empty() ? kExitDone : kExitNo;
}

}  // namespace

void AddCompare(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "compare",
      "Says what two captures or two profiles answer differently; exit status 1 if anything");
  auto arguments = std::make_shared<CompareArguments>();
  command->add_option("FIRST", arguments->first, "One capture or profile")->required();
  command->add_option("SECOND", arguments->second, "The other")->required();
  command->add_flag("--timing", arguments->options.timing,
                    "Turnarounds that differ by more than half count too");
  command->add_flag("--pieces", arguments->options.pieces,
                    "In how many pieces a reply came counts too");
  command->add_flag("--json", arguments->json, "As JSON");
  command->footer(
      "Spreads of two profiles' times are compared with a rank test (Mann and Whitney 1947) at 1 "
      "%.\n"
      "Example:\n  bytewitness compare batch-a.witness batch-b.witness\n"
      "  bytewitness compare batch-a.profile batch-b.profile");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
