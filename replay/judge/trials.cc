#include "replay/judge/trials.h"

#include <sys/sysinfo.h>
#include <unistd.h>

#include <algorithm>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <set>
#include <thread>

#include "replay/judge/diagnosis.h"
#include "replay/judge/inside.h"
#include "replay/part/cue.h"
#include "replay/vary/shrink.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

bool TimingFailed(const Observations& seen) {
  return !seen.virtual_time && WorstSend(seen) > kLateSend;
}

}  // namespace

int UsualJobs() {
  // Trials wait rather than work: several for each processor. A script takes some 20 MB.
  const long processors = std::max(1L, sysconf(_SC_NPROCESSORS_ONLN));
  struct sysinfo facts = {};
  long by_memory = 8;
  if (sysinfo(&facts) == 0) {
    const unsigned long long free =
        static_cast<unsigned long long>(facts.freeram + facts.bufferram) * facts.mem_unit;
    by_memory = static_cast<long>(std::min<unsigned long long>(free / 64'000'000, 1024));
  }
  return static_cast<int>(std::clamp(std::min(processors * 32, by_memory), 1L, 64L));
}

SendTiming TimingOf(std::vector<Duration> errors) {
  SendTiming timing;
  timing.sends = errors.size();
  if (errors.empty()) return timing;
  std::sort(errors.begin(), errors.end());
  timing.p50 = errors[errors.size() / 2];
  timing.p99 = errors[std::min(errors.size() - 1, errors.size() * 99 / 100)];
  timing.most = errors.back();
  return timing;
}

Trials::Trials(Subject& subject, const Judge& judge, TrialsSetup setup)
    : subject_(subject), judge_(judge), setup_(std::move(setup)) {}

void Trials::NoteTiming(const Observations& observations) {
  for (const Said& said : observations.said)
    send_errors_.push_back(std::max(said.sent - said.send.due, Duration::Zero()));
}

// Takes the recorded answers in order if the subject says things that the recording does not know
// but as many of them: a counter or the time of day in a command, say.
void Trials::Follow() {
  const auto& seen = outcome_.baseline.observations;
  std::size_t known = 0;
  for (const TakenCommand& command : seen.commands) known += command.known ? 1 : 0;
  const std::string all = std::to_string(seen.commands.size());
  outcome_.following = known == seen.commands.size()
                           ? "by look-up: the recording knows each of its " + all + " commands"
                           : "by look-up: the recording knows " + std::to_string(known) +
                                 " of its " + all + " commands";
}

RunLimits Trials::Limits(const Observations& baseline) const {
  RunLimits limits;
  limits.within = judge_.demands().within;
  limits.expected_commands = baseline.commands.size();
  if (!subject_.virtual_time() || baseline.commands.empty()) return limits;
  // What it still printed behind the last answer is waited for in every trial; virtual time is
  // cheap.
  const Bytes printed = PrintedText(baseline, false);
  limits.expected_lines =
      static_cast<std::size_t>(std::count(printed.begin(), printed.end(), '\n'));
  if (!baseline.printed.empty()) {
    const Instant answered = AnswerEnd(baseline, baseline.commands.size() - 1);
    limits.linger = std::clamp(baseline.printed.back().at - answered + Duration::Seconds(1),
                               limits.linger, Duration::Seconds(10));
  }
  return limits;
}

Result<TrialResult> Trials::RunBaseline() {
  TrialResult result;
  RunLimits limits;
  limits.within = judge_.demands().within;
  auto seen = subject_.Run(setup_.part, limits);
  if (!seen.ok()) return seen.status();
  // A board never ends by itself: once more, and ended by the rule that ends the trials, so that
  // baseline and trials are watched equally long.
  if (subject_.virtual_time() && seen->ending == SubjectEnding::kOver && !seen->commands.empty()) {
    seen = subject_.Run(setup_.part, Limits(*seen));
    if (!seen.ok()) return seen.status();
  }
  result.observations = std::move(*seen);
  result.played = setup_.part;
  result.runs = 1;
  result.took = result.observations.ended - Instant();
  result.verdict = judge_.OfBaseline(result.observations);
  result.held = result.verdict.kind == VerdictKind::kHeld ? 1 : 0;
  return result;
}

Result<TrialResult> Trials::RunTrial(std::size_t index, const Combination& combination,
                                     bool alone) {
  VariationContext context;
  context.seed = setup_.seed;
  context.with = setup_.with;
  auto varied = Vary(outcome_.played, combination, context);
  if (!varied.ok()) return varied.status();
  const Observations& base = outcome_.baseline.observations;
  const RunLimits limits = Limits(base);

  TrialResult result;
  result.index = index;
  result.combination = combination;
  result.expectation = varied->expectation;
  result.notes = varied->notes;
  result.changed = varied->changed;
  result.played = varied->part;
  // A trial whose own timing failed is repeated; twice in a row it is no contest.
  for (int attempt = 0; attempt < 3; ++attempt) {
    auto seen = subject_.Run(varied->part, limits);
    if (!seen.ok()) return seen.status();
    result.observations = std::move(*seen);
    result.took = result.observations.ended - Instant();
    result.verdict = judge_.OfTrial(base, result.observations, result.expectation);
    if (result.verdict.kind == VerdictKind::kHeld || !TimingFailed(result.observations) || !alone)
      break;
    if (attempt == 2) {
      result.verdict.kind = VerdictKind::kNoContest;
      result.verdict.why = "our own sends came too late three times: the machine is too busy";
    }
  }
  result.runs = 1;
  result.held = result.verdict.kind == VerdictKind::kHeld ? 1 : 0;
  return result;
}

Status Trials::RunAll(const std::vector<std::size_t>& indices) {
  struct Done {
    std::size_t place;
    Result<TrialResult> result;
  };
  const int jobs = std::max(
      1, std::min({setup_.jobs, subject_.most_at_once(), static_cast<int>(indices.size())}));
  std::mutex mutex;
  std::condition_variable changed;
  std::deque<Done> finished;
  std::atomic<std::size_t> next{0};
  std::atomic<bool> stop{false};
  std::vector<std::thread> workers;
  const auto work = [&] {
    while (!stop) {
      const std::size_t place = next++;
      if (place >= indices.size()) return;
      auto result = RunTrial(indices[place], setup_.plan[indices[place]], jobs == 1);
      const std::lock_guard lock(mutex);
      finished.push_back({place, std::move(result)});
      changed.notify_one();
    }
  };
  workers.reserve(static_cast<std::size_t>(jobs));
  for (int i = 0; i < jobs; ++i) workers.emplace_back(work);

  Status first_error;
  std::vector<std::optional<TrialResult>> results(indices.size());
  std::vector<std::size_t> again;
  for (std::size_t count = 0; count < indices.size() && first_error.ok(); ++count) {
    std::unique_lock lock(mutex);
    changed.wait(lock, [&] { return !finished.empty(); });
    Done done = std::move(finished.front());
    finished.pop_front();
    lock.unlock();
    if (!done.result.ok()) {
      first_error = done.result.status();
      break;
    }
    NoteTiming(done.result->observations);
    const bool held = done.result->verdict.kind == VerdictKind::kHeld;
    if (!held && jobs > 1 && !subject_.virtual_time())
      again.push_back(done.place);
    else if (on_trial)
      on_trial(*done.result, count + 1 - again.size(), indices.size());
    results[done.place] = std::move(*done.result);
  }
  stop = true;
  if (!first_error.ok()) subject_.Interrupt();
  for (std::thread& worker : workers) worker.join();
  if (!first_error.ok()) return first_error;

  // Alone, what did not hold in company.
  std::sort(again.begin(), again.end());
  std::size_t count = indices.size() - again.size();
  for (const std::size_t place : again) {
    auto result = RunTrial(indices[place], setup_.plan[indices[place]], true);
    if (!result.ok()) return result.status();
    NoteTiming(result->observations);
    results[place] = std::move(*result);
    if (on_trial) on_trial(*results[place], ++count, indices.size());
  }
  for (auto& result : results) {
    if (setup_.repeat > 1 && result) {
      for (std::uint32_t k = 1; k < setup_.repeat; ++k) {
        auto once = RunTrial(result->index, result->combination, true);
        if (!once.ok()) return once.status();
        once->held += result->held;
        once->runs += result->runs;
        // The run that did not hold is the one to show.
        if (once->verdict.kind == VerdictKind::kHeld &&
            result->verdict.kind != VerdictKind::kHeld) {
          result->held = once->held;
          result->runs = once->runs;
        } else {
          *result = std::move(*once);
        }
      }
      if (result->held > 0 && result->held < result->runs)
        result->verdict.why += (result->verdict.why.empty() ? "" : "; ") + std::string("held ") +
                               std::to_string(result->held) + " of " + std::to_string(result->runs);
    }
    if (result) outcome_.trials.push_back(std::move(*result));
  }
  return witness::OkStatus();
}

void Trials::Shrink() {
  std::set<std::string> done;
  std::size_t shrunk = 0;
  for (TrialResult& trial : outcome_.trials) {
    if (trial.verdict.kind != VerdictKind::kBroke && trial.verdict.kind != VerdictKind::kSlow)
      continue;
    if (shrunk >= setup_.shrink_at_most || setup_.shrink_runs == 0) break;
    // One of each sort: the same factors with the same diagnosis have the same cause.
    std::string sort = trial.verdict.diagnoses.empty() ? "" : trial.verdict.diagnoses[0].name;
    for (const Variation& variation : trial.combination)
      if (sort.empty() || trial.verdict.diagnoses.empty()) sort += " " + variation.factor;
    if (!done.insert(sort).second && !setup_.shrink_alike) continue;
    ++shrunk;
    const auto result =
        trial::Shrink(outcome_.played, trial.combination, setup_.shrink_runs,
                      [&](const Combination& combination) {
                        const auto once = RunTrial(trial.index, combination, true);
                        return once.ok() && (once->verdict.kind == VerdictKind::kBroke ||
                                             once->verdict.kind == VerdictKind::kSlow);
                      });
    trial.smallest = result.smallest;
    trial.shrinking = result.steps;
  }
}

Result<TrialsOutcome> Trials::Run() {
  outcome_ = {};
  send_errors_.clear();
  outcome_.played = setup_.part;
  auto baseline = RunBaseline();
  if (!baseline.ok()) return baseline.status();
  outcome_.baseline = std::move(*baseline);
  Follow();

  // Commands that the recording does not know, but as many as it has: try the answers in order.
  const auto& seen = outcome_.baseline.observations;
  std::size_t turns = 0;
  for (const Rule& rule : setup_.part.rules) turns += rule.answers.size();
  const bool all_known = std::all_of(seen.commands.begin(), seen.commands.end(),
                                     [](const TakenCommand& c) { return c.known; });
  const bool other_ending = std::any_of(
      seen.commands.begin(), seen.commands.end(),
      [&](const TakenCommand& c) { return !c.known && KnowsText(setup_.part, c.bytes); });
  const bool any_known = std::any_of(seen.commands.begin(), seen.commands.end(),
                                     [](const TakenCommand& c) { return c.known; });
  const auto faults = Faults(seen);
  const bool elsewhere = !faults.empty() && faults[0].name == "module-elsewhere";
  if (other_ending && !any_known && outcome_.baseline.verdict.kind == VerdictKind::kHeld) {
    // What it printed was printed without a single answer.
    outcome_.baseline.verdict.kind = VerdictKind::kNoContest;
    outcome_.baseline.verdict.why = "the module takes none of its commands";
  }
  if (setup_.part.plays == witness::Side::kModule && !seen.commands.empty() && !all_known &&
      !other_ending && !elsewhere) {
    Part in_order = setup_.part;
    in_order.following = Following::kInOrder;
    std::swap(setup_.part, in_order);
    auto again = RunBaseline();
    if (!again.ok()) return again.status();
    const auto& commands = again->observations.commands;
    const bool fits = again->verdict.kind == VerdictKind::kHeld && commands.size() == turns;
    if (fits) {
      outcome_.baseline = std::move(*again);
      outcome_.played = setup_.part;
      outcome_.following =
          "in order: it sends commands that the recording does not know, but as many as it has";
    } else {
      std::swap(setup_.part, in_order);
    }
  }
  NoteTiming(outcome_.baseline.observations);
  if (on_trial) on_trial(outcome_.baseline, 0, setup_.plan.size());
  if (outcome_.baseline.verdict.kind != VerdictKind::kHeld) {
    outcome_.baseline.verdict.diagnoses = DiagnoseBaseline(outcome_.baseline, outcome_.played);
    outcome_.timing = TimingOf(send_errors_);
    return std::move(outcome_);
  }

  std::vector<std::size_t> indices;
  for (std::size_t i = 0; i < setup_.plan.size(); ++i)
    if (i % setup_.shards == setup_.shard) indices.push_back(i);
  if (Status status = RunAll(indices); !status.ok()) return status;
  for (TrialResult& trial : outcome_.trials)
    if (trial.verdict.kind == VerdictKind::kBroke || trial.verdict.kind == VerdictKind::kSlow)
      trial.verdict.diagnoses = Diagnose(outcome_.baseline, trial, outcome_.trials, judge_);
  Shrink();
  outcome_.timing = TimingOf(send_errors_);
  return std::move(outcome_);
}

}  // namespace trial
