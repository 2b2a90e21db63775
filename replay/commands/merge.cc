// bytetrial merge: one report from the JSON reports of all shards of a plan.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>

#include "replay/commands/commands.h"
#include "replay/judge/report.h"
#include "replay/part/message_text.h"

namespace trial {
namespace {

using witness::Status;

struct MergeOptions {
  std::vector<std::string> reports;
  std::string junit;
  std::string json;
};

int Run(const MergeOptions& options) {
  const auto fail = [](const Status& status) { return witness::Fail("bytetrial merge", status); };
  std::vector<bytewitness::TrialReport> shards;
  for (const std::string& path : options.reports) {
    const auto text = ReadTextFile(path);
    if (!text.ok()) return fail(text.status());
    shards.emplace_back();
    if (Status status = ParseJsonReport(*text, shards.back()); !status.ok())
      return fail(status.In(path));
  }
  bytewitness::TrialReport merged;
  if (Status status = MergeReports(shards, merged); !status.ok()) return fail(status);
  const std::string text = TerminalReport(merged, witness::ColorsWanted());
  std::fwrite(text.data(), 1, text.size(), stdout);
  if (!options.json.empty())
    if (Status status = WriteTextFile(JsonReport(merged), options.json, true); !status.ok())
      return fail(status);
  if (!options.junit.empty())
    if (Status status = WriteTextFile(JUnitReport(merged), options.junit, true); !status.ok())
      return fail(status);
  return AllHeld(merged) ? witness::kExitDone : witness::kExitNo;
}

}  // namespace

void AddMerge(CLI::App& app, Outcome& outcome) {
  auto options = std::make_shared<MergeOptions>();
  CLI::App* command =
      app.add_subcommand("merge", "Makes one report from the JSON reports of all shards");
  command->add_option("REPORT", options->reports, "Reports written by run --shard i/n --json")
      ->required();
  command->add_option("--junit", options->junit, "Write JUnit XML")->type_name("FILE");
  command->add_option("--json", options->json, "Write the whole as JSON")->type_name("FILE");
  command->footer("Example: bytetrial merge shard-1.json shard-2.json --junit all.xml");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace trial
