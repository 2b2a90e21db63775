#include "replay/judge/report.h"

#include <google/protobuf/util/json_util.h>

#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "replay/judge/inside.h"
#include "replay/subject/observations_message.h"

namespace trial {
namespace {

using bytewitness::TrialReport;
using witness::Code;
using witness::Status;

std::uint64_t Ns(Duration d) { return d.ns() < 0 ? 0 : static_cast<std::uint64_t>(d.ns()); }

void FillTrial(const TrialResult& result, const Observations& baseline, const ReportSetup& setup,
               TrialReport::Trial& t) {
  t.set_name(CombinationName(result.combination));
  for (const Variation& variation : result.combination) t.add_variation(variation.Name());
  t.set_verdict(static_cast<TrialReport::Verdict>(result.verdict.kind));
  t.set_why(result.verdict.why);
  if (const auto& divergence = result.verdict.divergence) {
    auto& d = *t.mutable_divergence();
    d.set_at_ns(Ns(divergence->at - Instant()));
    d.set_what(divergence->what);
    d.set_expected(divergence->expected);
    d.set_got(divergence->got);
    d.set_command(divergence->command);
  }
  for (const Diagnosis& diagnosis : result.verdict.diagnoses) {
    auto& d = *t.add_diagnosis();
    d.set_name(diagnosis.name);
    d.set_words(diagnosis.words);
    for (const std::string& evidence : diagnosis.evidence) d.add_evidence(evidence);
  }
  if (setup.reproduce) t.set_reproduce(setup.reproduce(result.combination));
  t.set_took_ns(Ns(result.took));
  t.set_later_ns(result.verdict.later.ns());
  t.set_held(result.held);
  t.set_runs(result.runs);
  std::string note;
  for (const std::string& n : result.notes) note += (note.empty() ? "" : "; ") + n;
  for (const std::string& n : ResourceNotes(baseline, result.observations))
    if (n != result.verdict.why) note += (note.empty() ? "" : "; ") + n;
  t.set_note(note);
  t.set_kept(result.kept);
  for (const Variation& variation : result.smallest) t.add_smallest(variation.Name());
  for (const std::string& step : result.shrinking) t.add_shrinking(step);
  t.set_plan(result.plan);
  t.set_index(static_cast<std::uint32_t>(result.index));
  t.set_unchanged(!result.changed);
  if (result.observations.virtual_time)
    for (std::string& text : FreshRemarks(baseline, result.observations, 6)) t.add_inside(text);
  ObservationsToMessage(result.observations, *t.mutable_observations());
}

}  // namespace

void FillReport(const TrialsOutcome& outcome, const ReportSetup& setup, TrialReport& report) {
  report.Clear();
  report.set_tool(std::string("bytetrial ") + witness::kToolVersion);
  report.set_capture(setup.capture);
  report.set_subject(setup.subject);
  report.set_following(outcome.following);
  report.set_seed(setup.seed);
  report.set_trials_planned(static_cast<std::uint32_t>(setup.planned));
  report.set_shard(static_cast<std::uint32_t>(setup.shard));
  report.set_shards(static_cast<std::uint32_t>(setup.shards));
  report.set_interrupted(outcome.interrupted);
  FillTrial(outcome.baseline, {}, setup, *report.mutable_baseline());
  for (const TrialResult& trial : outcome.trials)
    FillTrial(trial, outcome.baseline.observations, setup, *report.add_trial());
  auto& timing = *report.mutable_timing();
  timing.set_sends(outcome.timing.sends);
  timing.set_p50_ns(Ns(outcome.timing.p50));
  timing.set_p99_ns(Ns(outcome.timing.p99));
  timing.set_max_ns(Ns(outcome.timing.most));
}

std::string JsonReport(const TrialReport& report) {
  google::protobuf::util::JsonPrintOptions options;
  options.add_whitespace = true;
  options.preserve_proto_field_names = true;
  std::string out;
  const auto status = google::protobuf::util::MessageToJsonString(report, &out, options);
  return status.ok() ? out : "{}";
}

Status ParseJsonReport(std::string_view text, TrialReport& report) {
  const auto status = google::protobuf::util::JsonStringToMessage(std::string(text), &report);
  if (status.ok()) return witness::OkStatus();
  return {Code::kInvalidArgument, "not a report of trials, as bytetrial run --json writes it"};
}

Status MergeReports(const std::vector<TrialReport>& shards, TrialReport& merged) {
  if (shards.empty()) return {Code::kInvalidArgument, "no report to merge"};
  if (!shards[0].hearing().empty()) {
    merged.Clear();
    merged.set_tool(shards[0].tool());
    for (int i = 0; i < shards[0].hearing_size(); ++i) {
      std::vector<TrialReport> hearings;
      for (const TrialReport& shard : shards) {
        if (shard.hearing_size() != shards[0].hearing_size())
          return {Code::kInvalidArgument, "the reports are of different plans: one has " +
                                              std::to_string(shards[0].hearing_size()) +
                                              " hearings, one " +
                                              std::to_string(shard.hearing_size())};
        hearings.push_back(shard.hearing(i));
      }
      if (Status status = MergeReports(hearings, *merged.add_hearing()); !status.ok())
        return status.In("hearing " + std::to_string(i + 1));
    }
    return witness::OkStatus();
  }
  merged = shards[0];
  merged.clear_trial();
  merged.set_shard(0);
  merged.set_shards(1);
  std::map<std::uint32_t, const TrialReport::Trial*> trials;
  for (const TrialReport& shard : shards) {
    if (shard.trials_planned() != merged.trials_planned() || shard.seed() != merged.seed() ||
        shard.capture() != merged.capture() || shard.subject() != merged.subject())
      return {Code::kInvalidArgument, "the reports are of different plans: " + merged.capture() +
                                          " with " + std::to_string(merged.trials_planned()) +
                                          " trials and " + shard.capture() + " with " +
                                          std::to_string(shard.trials_planned())};
    for (const auto& trial : shard.trial())
      if (!trials.emplace(trial.index(), &trial).second)
        return {Code::kInvalidArgument, "trial " + std::to_string(trial.index() + 1) + " (" +
                                            trial.name() + ") is there twice"};
    // A baseline that failed anywhere fails the whole.
    if (shard.baseline().verdict() != TrialReport::VERDICT_HELD)
      *merged.mutable_baseline() = shard.baseline();
    auto& timing = *merged.mutable_timing();
    timing.set_p50_ns(std::max(timing.p50_ns(), shard.timing().p50_ns()));
    timing.set_p99_ns(std::max(timing.p99_ns(), shard.timing().p99_ns()));
    timing.set_max_ns(std::max(timing.max_ns(), shard.timing().max_ns()));
    if (&shard != shards.data()) timing.set_sends(timing.sends() + shard.timing().sends());
  }
  for (std::uint32_t i = 0; i < merged.trials_planned(); ++i) {
    const auto found = trials.find(i);
    if (found == trials.end()) {
      if (merged.baseline().verdict() != TrialReport::VERDICT_HELD) continue;
      return {Code::kInvalidArgument, "trial " + std::to_string(i + 1) + " of " +
                                          std::to_string(merged.trials_planned()) +
                                          " is missing: is a shard's report not given?"};
    }
    *merged.add_trial() = *found->second;
  }
  return witness::OkStatus();
}

bool AllHeld(const TrialReport& report) {
  if (!report.hearing().empty())
    return std::all_of(report.hearing().begin(), report.hearing().end(), AllHeld);
  const auto held = [](const TrialReport::Trial& trial) {
    return trial.verdict() == TrialReport::VERDICT_HELD;
  };
  return !report.interrupted() && held(report.baseline()) &&
         std::all_of(report.trial().begin(), report.trial().end(), held);
}

}  // namespace trial
