#include "replay/commands/run_setup.h"

#include <cstdio>
#include <cstdlib>
#include <sstream>

#include "capture/base/text.h"
#include "replay/part/message_text.h"
#include "replay/subject/port.h"
#include "replay/subject/program.h"
#include "replay/subject/sketch_subject.h"

namespace trial {

using witness::Code;
using witness::Result;
using witness::Status;

namespace {

// What the command line says comes first.
Status Complete(const RunOptions& options, RunRequest& request) {
  if (options.pairs + options.all + (request.random > 0 && request.tries.empty() ? 1 : 0) > 1 &&
      options.pairs + options.all > 1)
    return {Code::kInvalidArgument, "give one of --pairs, --all and --random"};
  if (options.pairs) request.combine = Combine::kPairs;
  if (options.all) request.combine = Combine::kAll;
  if (request.random > 0) request.combine = Combine::kRandom;
  if (options.standard_streams) request.link = Link::kStandardStreams;
  if (options.tcp) request.link = Link::kTcp;
  if (options.as == "host") request.as_host = true;
  if (!options.sketch_settings.empty()) request.sketch_settings = options.sketch_settings;
  if (options.exit) request.demands.exit = options.exit;
  if (!options.within.empty()) {
    const auto within = witness::ParseDuration(options.within);
    if (!within.ok()) return within.status().In("--within");
    request.demands.within = *within;
    request.demands.within_given = true;
  }
  if (!options.run_for.empty()) {
    const auto run_for = witness::ParseDuration(options.run_for);
    if (!run_for.ok()) return run_for.status().In("--for");
    request.run_for = *run_for;
  }
  for (const std::string& text_form : options.tries) {
    std::vector<std::string> names;
    std::istringstream words(text_form);
    for (std::string word; words >> word;) names.push_back(word);
    if (names.size() == 1 && names[0] == "recorded") names.clear();
    request.tries.push_back(std::move(names));
  }
  const int subjects = (request.program.empty() ? 0 : 1) + (request.port.empty() ? 0 : 1) +
                       (request.sketch.empty() ? 0 : 1);
  if (subjects != 1)
    return {Code::kInvalidArgument,
            "name what is on trial: a program behind -- (as in -- python3 script.py {port}), "
            "--port PORT or --sketch FILE.elf"};
  if (request.as_host && request.port.empty())
    return {Code::kInvalidArgument, "--as host needs the module's port: --port PORT"};
  return witness::OkStatus();
}

}  // namespace

Result<std::vector<RunRequest>> Requests(const RunOptions& options) {
  const RunRequest& said = options.request;
  std::vector<RunRequest> requests;
  const auto text = ReadTextFile(options.file);
  const bool readable = text.ok() || text.status().code() == Code::kInvalidArgument;
  if (!readable) return text.status();
  if (text.ok() && LooksLikePlan(*text) && text->find('\0') == std::string::npos) {
    auto plan = LoadPlan(options.file);
    if (!plan.ok()) return plan.status();
    if (!said.program.empty() || !said.port.empty() || !said.sketch.empty())
      return Status(
          Code::kInvalidArgument,
          options.file + ": is a plan, which names what is on trial; give one or the other");
    requests = *std::move(plan);
    for (RunRequest& request : requests) {
      if (!said.vary.empty()) {
        request.vary = said.vary;
        request.tries.clear();
      }
      if (said.jobs != 0) request.jobs = said.jobs;
      if (said.repeat != 1) request.repeat = said.repeat;
      if (said.seed != 1) request.seed = said.seed;
    }
  } else {
    requests.push_back(said);
    requests[0].capture = options.file;
  }
  for (RunRequest& request : requests)
    if (Status status = Complete(options, request); !status.ok()) return status;
  return requests;
}

Result<std::unique_ptr<Subject>> MakeSubject(const RunRequest& request) {
  if (!request.port.empty())
    return MakePortSubject({request.port, request.reset_by_dtr, request.watch});
  if (!request.sketch.empty()) {
    auto settings = MakeSketchSettings(request.sketch, request.sketch_settings);
    if (!settings.ok()) return settings.status();
    return MakeSketchSubject(*settings);
  }
  ProgramSetup setup;
  setup.arguments = request.program;
  setup.link = request.link;
  return MakeProgramSubject(setup);
}

Status ReadShard(const std::string& text, std::size_t& shard, std::size_t& shards) {
  shard = 0;
  shards = 1;
  if (!text.empty()) {
    unsigned i = 0;
    unsigned n = 0;
    char rest = 0;
    if (std::sscanf(text.c_str(), "%u/%u%c", &i, &n, &rest) != 2 || n == 0 || i == 0 || i > n)
      return {Code::kInvalidArgument, "--shard " + text + ": write it as 2/5, the second of five"};
    shard = i - 1;
    shards = n;
    return witness::OkStatus();
  }
  const char* total = std::getenv("GTEST_TOTAL_SHARDS");
  const char* index = std::getenv("GTEST_SHARD_INDEX");
  if (total == nullptr || index == nullptr) return witness::OkStatus();
  const long n = std::atol(total);
  const long i = std::atol(index);
  if (n < 1 || i < 0 || i >= n)
    return {Code::kInvalidArgument, "GTEST_SHARD_INDEX and GTEST_TOTAL_SHARDS do not fit together"};
  shard = static_cast<std::size_t>(i);
  shards = static_cast<std::size_t>(n);
  return witness::OkStatus();
}

Result<std::vector<Combination>> PlanOf(const RunRequest& request, const Part& part) {
  if (!request.tries.empty()) {
    std::vector<Combination> plan;
    for (const auto& names : request.tries) {
      Combination combination;
      for (const std::string& name : names) {
        const auto variation = ParseVariation(name);
        if (!variation.ok()) return variation.status();
        if (!variation->Plain()) combination.push_back(*variation);
      }
      plan.push_back(std::move(combination));
    }
    return plan;
  }
  std::vector<FactorLevels> wishes;
  for (const std::string& text : request.vary)
    if (Status status = AddWish(text, part, wishes); !status.ok()) return status.In("--vary");
  if (request.vary.empty()) wishes = UsualWishes();
  // In virtual time it is known to the cycle when a sketch speaks next, and a trial costs little.
  const bool turnaround =
      std::find(request.vary.begin(), request.vary.end(), "turnaround") != request.vary.end();
  if (!request.sketch.empty() && (request.vary.empty() || turnaround))
    if (Status status = AddWish("turnaround=next", part, wishes); !status.ok()) return status;
  PlanOptions options;
  options.combine = request.combine;
  options.random = request.random;
  options.seed = request.seed;
  return MakePlan(wishes, options);
}

Status CheckWire(const RunRequest& request, const std::vector<Combination>& plan) {
  if (!request.sketch.empty()) return witness::OkStatus();
  for (const Combination& combination : plan)
    for (const Variation& variation : combination)
      for (const Factor& factor : Factors())
        if (factor.waveform && factor.name == variation.factor)
          return {Code::kInvalidArgument,
                  variation.Name() +
                      ": only an emulated sketch has a wire to put bits on; use --sketch, or take "
                      "it out"};
  return witness::OkStatus();
}

}  // namespace trial
