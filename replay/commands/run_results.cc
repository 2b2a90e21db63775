#include "replay/commands/run_results.h"

#include <filesystem>

#include "capture/base/version.h"
#include "capture/store/capture_writer.h"
#include "replay/part/part_text.h"
#include "replay/subject/program.h"

namespace trial {

using witness::Code;
using witness::Status;

namespace {

// The conversation of one trial as a capture.
Status KeepConversation(const Observations& seen, const std::string& title,
                        const std::string& path) {
  witness::CaptureInfo info;
  info.tool = std::string("bytetrial ") + witness::kToolVersion;
  info.origin = witness::Origin::kTrial;
  info.title = title;
  info.virtual_time = seen.virtual_time;
  witness::WriterOptions options;
  options.durability = witness::Durability::kRelaxed;
  options.replace = true;
  auto writer = witness::CaptureWriter::Create(path, info, options);
  if (!writer.ok()) return writer.status();
  for (const witness::OwnedEvent& event : seen.conversation)
    if (Status status = (*writer)->Append(event.View()); !status.ok()) return status;
  return (*writer)->Close(seen.ended);
}

}  // namespace

std::string Reproduce(const RunOptions& options, const Subject& subject,
                      const Combination& combination) {
  const RunRequest& request = options.request;
  const std::string file = request.capture.empty() ? options.file : request.capture;
  std::string line = "bytetrial run " + ShellQuoted(file);
  line += combination.size() == 1 && combination[0].level.find(',') == std::string::npos
              ? " --vary " + ShellQuoted(combination[0].Name())
              : " --try " +
                    ShellQuoted(combination.empty() ? "recorded" : CombinationName(combination));
  if (!request.with.empty()) line += " --with " + ShellQuoted(request.with);
  if (request.seed != 1) line += " --seed " + std::to_string(request.seed);
  for (const auto& text : request.demands.ignore) line += " --ignore " + ShellQuoted(text);
  for (const auto& text : request.demands.must_say) line += " --must-say " + ShellQuoted(text);
  for (const auto& text : request.demands.must_not_say)
    line += " --must-not-say " + ShellQuoted(text);
  if (request.demands.exit) line += " --exit " + std::to_string(*request.demands.exit);
  if (!options.within.empty()) line += " --within " + options.within;
  if (request.run_for > Duration::Zero()) line += " --for " + FormatExactDuration(request.run_for);
  return line + " " + subject.CommandLine();
}

Status KeepAll(RunOptions& options, TrialsOutcome& outcome) {
  if (!options.keep.empty()) {
    std::error_code error;
    std::filesystem::create_directories(options.keep, error);
    if (error) return {Code::kIo, options.keep + ": " + error.message()};
    const auto keep = [&](TrialResult& trial, const std::string& name) {
      trial.kept = options.keep + "/" + name + ".witness";
      return KeepConversation(trial.observations, CombinationName(trial.combination), trial.kept);
    };
    if (Status status = keep(outcome.baseline, "as-recorded"); !status.ok()) return status;
    for (TrialResult& trial : outcome.trials) {
      const std::string number = std::to_string(trial.index + 1);
      const std::string name =
          "trial-" + std::string(number.size() < 4 ? 4 - number.size() : 0, '0') + number;
      if (Status status = keep(trial, name); !status.ok()) return status;
    }
  }
  for (TrialResult& trial : outcome.trials) {
    if (trial.smallest.empty()) continue;
    RunRequest smallest = options.request;
    smallest.vary.clear();
    smallest.tries.assign(1, {});
    smallest.combine = Combine::kOneAtATime;
    smallest.random = 0;
    for (const Variation& variation : trial.smallest) smallest.tries[0].push_back(variation.Name());
    const std::string folder = options.keep.empty() ? "" : options.keep + "/";
    trial.plan = folder + "broken-" + std::to_string(++options.broken) + ".textproto";
    if (Status status = SavePlan(smallest, trial.verdict.why, trial.plan); !status.ok())
      return status;
  }
  return witness::OkStatus();
}

}  // namespace trial
