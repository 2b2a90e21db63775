#include "replay/subject/stand_in/varied.h"

#include <sstream>

#include "replay/part/build.h"
#include "replay/vary/plan.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

Status CheckNoWire(const Variation& variation) {
  for (const Factor& factor : Factors())
    if (factor.waveform && factor.name == variation.factor)
      return Status(Code::kInvalidArgument,
                    variation.Name() +
                        ": a stand-in has no wire to put bits on; put the compiled sketch on "
                        "trial with bytetrial run --sketch");
  return witness::OkStatus();
}

Result<std::vector<Combination>> PlanOf(const std::string& path,
                                        const std::vector<std::string>& vary, Combine combine) {
  auto built = LoadPartOrCapture(path, witness::Side::kModule);
  if (!built.ok()) return built.status();
  std::vector<FactorLevels> wishes;
  for (const std::string& text : vary)
    if (Status status = AddWish(text, built->part, wishes); !status.ok()) return status;
  if (vary.empty()) wishes = UsualWishes();
  for (const FactorLevels& wish : wishes)
    for (const Variation& level : wish.levels)
      if (Status status = CheckNoWire(level); !status.ok()) return status;
  PlanOptions options;
  options.combine = combine;
  return MakePlan(wishes, options);
}

std::vector<bytewitness::VariedPart> Named(const std::string& path,
                                           const std::vector<std::string>& vary, Combine combine) {
  std::vector<bytewitness::VariedPart> all = {{path, "", 1, ""}};
  const auto plan = PlanOf(path, vary, combine);
  if (!plan.ok()) {
    all[0].problem = plan.status().message();
    return all;
  }
  for (const Combination& combination : *plan)
    if (!combination.empty()) all.push_back({path, CombinationName(combination), 1, ""});
  return all;
}

}  // namespace

Result<Varied> Prepare(const bytewitness::VariedPart& part) {
  if (!part.problem.empty()) return Status(Code::kInvalidArgument, part.problem);
  auto built = LoadPartOrCapture(part.path, witness::Side::kModule);
  if (!built.ok()) return built.status();
  std::vector<Variation> variations;
  std::istringstream words(part.variation);
  for (std::string word; words >> word;) {
    auto variation = ParseVariation(word);
    if (!variation.ok()) return variation.status();
    if (Status status = CheckNoWire(*variation); !status.ok()) return status;
    variations.push_back(*std::move(variation));
  }
  VariationContext context;
  context.seed = part.seed;
  return Vary(NumberReplies(std::move(built->part)), variations, context);
}

}  // namespace trial

namespace bytewitness {

std::vector<VariedPart> variations_of(const std::string& path,
                                      const std::vector<std::string>& vary) {
  return trial::Named(path, vary, trial::Combine::kOneAtATime);
}
std::vector<VariedPart> pairs_of_variations_of(const std::string& path,
                                               const std::vector<std::string>& vary) {
  return trial::Named(path, vary, trial::Combine::kPairs);
}

}  // namespace bytewitness
