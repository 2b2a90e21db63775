// bytetrial part: makes a part from a capture or a profile, to be edited by hand.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>

#include "capture/base/text.h"
#include "replay/commands/commands.h"
#include "replay/part/build.h"
#include "replay/part/part_text.h"
#include "replay/vary/plan.h"

namespace trial {
namespace {

using witness::Status;

struct PartOptions {
  std::string capture;
  std::string output;
  std::string as = "module";
  std::string variations;
  std::uint64_t seed = 1;
  bool replace = false;
};

int Run(const PartOptions& options) {
  const auto fail = [](const Status& status) { return witness::Fail("bytetrial part", status); };
  auto built = LoadPartOrCapture(
      options.capture, options.as == "host" ? witness::Side::kHost : witness::Side::kModule);
  if (!built.ok()) return fail(built.status());
  for (const std::string& remark : built->remarks)
    std::fprintf(stderr, "bytetrial part: %s\n", witness::SafeName(remark).c_str());
  Part part = std::move(built->part);
  if (!options.variations.empty()) {
    Combination combination;
    std::istringstream words(options.variations);
    for (std::string word; words >> word;) {
      const auto variation = ParseVariation(word);
      if (!variation.ok()) return fail(variation.status());
      combination.push_back(*variation);
    }
    VariationContext context;
    context.seed = options.seed;
    auto varied = Vary(NumberReplies(std::move(part)), combination, context);
    if (!varied.ok()) return fail(varied.status());
    for (const std::string& note : varied->notes)
      std::fprintf(stderr, "bytetrial part: %s\n", witness::SafeName(note).c_str());
    part = std::move(varied->part);
  }
  if (options.output.empty() || options.output == "-") {
    const std::string text = FormatPart(part);
    std::fwrite(text.data(), 1, text.size(), stdout);
    return witness::kExitDone;
  }
  const Status saved = SavePart(part, options.output, options.replace);
  return saved.ok() ? witness::kExitDone : fail(saved);
}

}  // namespace

void AddPart(CLI::App& app, Outcome& outcome) {
  auto options = std::make_shared<PartOptions>();
  CLI::App* command = app.add_subcommand(
      "part", "Makes a part from a capture or a survey's profile, to be edited by hand and played");
  command->add_option("FILE", options->capture, "Capture or profile, or a part to be varied")
      ->required();
  command->add_option("-o,--out", options->output, "Where to; without it standard output")
      ->type_name("FILE");
  command->add_option("--as", options->as, "Which side the part plays")
      ->check(CLI::IsMember({"module", "host"}));
  command->add_option("--vary", options->variations, "Put on, as in \"ending=none split=2\"")
      ->type_name("COMBINATION");
  command->add_option("--seed", options->seed, "For what is drawn (1)")->type_name("S");
  command->add_flag("--replace", options->replace, "Replace an existing file");
  command->footer("Example: bytetrial part sedge-b.witness -o sedge-b.textproto");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace trial
