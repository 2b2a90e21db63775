#include "replay/judge/trials.h"
#include <sys/sysinfo.h>
#include <unistd.h>

#include <algorithm>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <thread>

#include "replay/judge/diagnosis.h"
#include "replay/judge/disturbance.h"
#include "replay/judge/inside.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

// A program that runs for ever is watched so much longer than the baseline took.
constexpr Duration kForTheSlow = Duration::Seconds(10);

// Whether this run may not be relied on, for what the machine did.
bool Spoiled(const TrialResult& run) {
  return run.verdict.kind == VerdictKind::kHeld ? GapsLost(run) : TimingFailed(run.observations);
}

// Two verdicts that say the same.
bool Same(const Verdict& a, const Verdict& b) {
  if (a.kind != b.kind || a.divergence.has_value() != b.divergence.has_value()) return false;
  return !a.divergence || (a.divergence->what == b.divergence->what &&
                           a.divergence->command == b.divergence->command);
}

// How long all that the part says takes by itself.
Duration LengthOf(const Part& part) {
  Duration length;
  for (const Rule& rule : part.rules)
    for (const Answer& answer : rule.answers)
      for (const Piece& piece : answer.pieces) length = length + piece.after;
  return length;
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

// What a trial may take if the person sets no limit: as often as it pleases a read timeout of five
// seconds for each command, and what the variation itself adds.
Duration Trials::Within(const Part& part) const {
  const Duration most = judge_.demands().within;
  if (judge_.demands().within_given || subject_.virtual_time()) return most;
  const Observations& base = outcome_.baseline.observations;
  const Duration added = std::max(LengthOf(part) - LengthOf(outcome_.played), Duration::Zero());
  const Duration enough = (base.ended - Instant()) * 3 + added * 3 +
                          Duration::Seconds(5) * (std::ssize(base.commands) + 1);
  return std::min(enough, std::max(most, added * 3));
}

// One that runs for ever and was stopped by us before it had sent all that the baseline has: if it
// went on asking, by what it did until then.
Verdict Trials::JudgeTrial(TrialResult& trial) const {
  const Observations& base = outcome_.baseline.observations;
  Observations& seen = trial.observations;
  const std::size_t count = seen.commands.size();
  if (!stop_behind_ || seen.ending != SubjectEnding::kOver || count >= base.commands.size())
    return judge_.OfTrial(base, seen, trial.expectation, steadiness_);
  Duration longest = Duration::Seconds(2);
  for (std::size_t i = 1; i < count; ++i)
    longest = std::max(longest, seen.commands[i].from - seen.commands[i - 1].from);
  if (count < 2 || seen.ended - seen.commands.back().from > longest * 5 / 2) {
    seen.ending = SubjectEnding::kOutOfTime;  // it hangs
    return judge_.OfTrial(base, seen, trial.expectation, steadiness_);
  }
  trial.notes.push_back("judged by " + std::to_string(count - 1) + " of " +
                        std::to_string(base.commands.size()) + " commands: it took its time");
  return judge_.OfTrial(CutBehind(base, count - 1), CutBehind(seen, count - 1), trial.expectation,
                        steadiness_);
}

Result<TrialResult> Trials::RunTrial(std::size_t index, const Combination& combination,
                                     bool alone) {
  VariationContext context;
  context.seed = setup_.seed;
  context.with = setup_.with;
  const auto& asked = outcome_.baseline.observations.commands;
  for (std::size_t i = 0; i + 1 < asked.size(); ++i)
    context.next_command.try_emplace(asked[i].turn, asked[i + 1].from - asked[i].taken);
  context.on_wire = outcome_.baseline.observations.virtual_time;
  for (std::size_t i = 0; i + 1 < asked.size(); ++i) {
    const Duration quiet = WaitBehind(outcome_.baseline.observations, i);
    const auto [known, fresh] = context.quiet_behind.try_emplace(asked[i].turn, quiet);
    if (!fresh) known->second = std::min(known->second, quiet);
  }
  auto varied = Vary(outcome_.played, combination, context);
  if (!varied.ok()) return varied.status();
  const Observations& base = outcome_.baseline.observations;
  RunLimits limits = Limits(base);
  limits.within = Within(varied->part);
  // Of one that runs for ever, a part of the commands is enough if it takes its time for each.
  if (stop_behind_) {
    const Duration added =
        std::max(LengthOf(varied->part) - LengthOf(outcome_.played), Duration::Zero());
    limits.watch = (base.ended - Instant()) * 2 + added * 3 + kForTheSlow;
    limits.within = std::max(limits.within, limits.watch + kForTheSlow);
  }

  TrialResult result;
  result.index = index;
  result.combination = combination;
  result.expectation = varied->expectation;
  result.notes = varied->notes;
  result.changed = varied->changed;
  result.played = varied->part;
  // A trial whose own timing failed, or whose subject hardly got the processor, is repeated.
  constexpr int kAttempts = 3;
  std::vector<Verdict> verdicts;
  for (int attempt = 1; attempt <= kAttempts; ++attempt) {
    // In virtual time the same replies are taken in the same way, to the cycle.
    const bool known = base.virtual_time && varied->part == outcome_.played;
    auto seen = known ? Result<Observations>(base) : subject_.Run(varied->part, limits);
    if (!seen.ok()) return seen.status();
    result.observations = std::move(*seen);
    result.took = result.observations.ended - Instant();
    result.verdict = JudgeTrial(result);
    if (!Spoiled(result) || !alone) break;
    verdicts.push_back(result.verdict);
    if (attempt < kAttempts) continue;
    const bool alike = std::all_of(verdicts.begin(), verdicts.end(),
                                   [&](const Verdict& v) { return Same(v, result.verdict); });
    const bool held = result.verdict.kind == VerdictKind::kHeld;
    if (alike && !held && !SentLate(result.observations)) break;
    result.verdict.kind = VerdictKind::kNoContest;
    result.verdict.why =
        SentLate(result.observations) || held
            ? "our own sends came too late three times: the machine is too busy"
            : "it failed otherwise each time and hardly got the processor: the machine is too busy";
  }
  result.runs = 1;
  result.held = result.verdict.kind == VerdictKind::kHeld ? 1 : 0;
  return result;
}

// Several at once if the machine bears it; by what the subject used of a processor, if nobody said.
int Trials::AtOnce(std::size_t tasks) const {
  int jobs = std::min({setup_.jobs, subject_.most_at_once(), static_cast<int>(tasks)});
  const Observations& base = outcome_.baseline.observations;
  if (!setup_.jobs_given && !base.virtual_time && base.cpu_time > Duration::Milliseconds(5)) {
    const std::int64_t processors = std::max(1L, sysconf(_SC_NPROCESSORS_ONLN));
    const std::int64_t bearable =
        processors * ((base.ended - Instant()).ns() * 8 / 10) / base.cpu_time.ns();
    jobs = std::min(jobs, static_cast<int>(std::clamp<std::int64_t>(bearable, 2, 1024)));
  }
  return std::max(1, jobs);
}

Status Trials::RunAll(const std::vector<std::size_t>& indices) {
  // Each trial `repeat` times; place = trial * repeat + which time.
  struct Done {
    std::size_t place;
    Result<TrialResult> result;
  };
  const std::size_t repeat = std::max(1u, setup_.repeat);
  const std::size_t tasks = indices.size() * repeat;
  const int jobs = AtOnce(tasks);
  std::mutex mutex;
  std::condition_variable changed;
  std::deque<Done> finished;
  std::atomic<std::size_t> next{0};
  std::atomic<bool> stop{false};
  std::vector<std::thread> workers;
  const auto run = [&](std::size_t place, bool alone) {
    const std::size_t index = indices[place / repeat];
    return RunTrial(index, setup_.plan[index], alone);
  };
  const auto work = [&] {
    while (!stop) {
      const std::size_t place = next++;
      if (place >= tasks) return;
      auto result = run(place, jobs == 1);
      const std::lock_guard lock(mutex);
      finished.push_back({place, std::move(result)});
      changed.notify_one();
    }
  };
  workers.reserve(static_cast<std::size_t>(jobs));
  for (int i = 0; i < jobs; ++i) workers.emplace_back(work);

  Status first_error;
  std::vector<std::optional<TrialResult>> results(tasks);
  std::vector<std::size_t> again;
  for (std::size_t count = 0; count < tasks && first_error.ok(); ++count) {
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
    const bool unsure = held ? GapsLost(*done.result) : !Undisturbed(done.result->observations);
    if (unsure && jobs > 1)
      again.push_back(done.place);
    else if (on_trial)
      on_trial(*done.result, count + 1 - again.size(), tasks);
    results[done.place] = std::move(*done.result);
  }
  stop = true;
  outcome_.interrupted = first_error.code() == Code::kInterrupted;
  if (!first_error.ok()) subject_.Interrupt();
  for (std::thread& worker : workers) worker.join();
  if (!first_error.ok() && !outcome_.interrupted) return first_error;
  // Done just when it was interrupted.
  for (Done& done : finished)
    if (done.result.ok() && done.result->verdict.kind == VerdictKind::kHeld &&
        !GapsLost(*done.result))
      results[done.place] = std::move(*done.result);

  // Alone, what did not hold in company.
  std::sort(again.begin(), again.end());
  std::size_t count = tasks - again.size();
  for (const std::size_t place : again) {
    if (outcome_.interrupted) {
      results[place].reset();  // what it did beside others is no verdict
      continue;
    }
    auto result = run(place, true);
    if (result.status().code() == Code::kInterrupted) {
      outcome_.interrupted = true;
      results[place].reset();
      continue;
    }
    if (!result.ok()) return result.status();
    NoteTiming(result->observations);
    results[place] = std::move(*result);
    if (on_trial) on_trial(*results[place], ++count, tasks);
  }
  for (std::size_t first = 0; first < tasks; first += repeat) {
    // Of an interrupted trial, no run or too few.
    if (std::any_of(results.begin() + static_cast<std::ptrdiff_t>(first),
                    results.begin() + static_cast<std::ptrdiff_t>(first + repeat),
                    [](const auto& result) { return !result; }))
      continue;
    // The run that did not hold is the one to show.
    std::size_t shown = first;
    std::uint32_t held = 0;
    for (std::size_t k = first; k < first + repeat; ++k) {
      held += results[k]->held;
      if (results[shown]->held == 1 && results[k]->held == 0) shown = k;
    }
    TrialResult result = std::move(*results[shown]);
    result.held = held;
    result.runs = static_cast<std::uint32_t>(repeat);
    if (held > 0 && held < result.runs)
      result.verdict.why += (result.verdict.why.empty() ? "" : "; ") + std::string("held ") +
                            std::to_string(held) + " of " + std::to_string(result.runs);
    outcome_.trials.push_back(std::move(result));
  }
  return witness::OkStatus();
}

Result<TrialsOutcome> Trials::Run() {
  outcome_ = {};
  send_errors_.clear();
  outcome_.played = setup_.part;
  auto baseline = RunBaseline(setup_.part);
  if (!baseline.ok()) return baseline.status();
  outcome_.baseline = std::move(*baseline);
  if (Status status = Follow(); !status.ok()) return status;
  if (outcome_.baseline.verdict.kind == VerdictKind::kHeld)
    for (std::string& note : BaselineNotes(outcome_.baseline.observations))
      outcome_.baseline.notes.push_back(std::move(note));
  if (outcome_.baseline.verdict.kind == VerdictKind::kHeld)
    if (auto ending = NotesCommandEnding(outcome_.baseline, outcome_.played)) {
      outcome_.baseline.notes.push_back(ending->words);
      outcome_.baseline.verdict.diagnoses.push_back(std::move(*ending));
    }
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
  if (Status status = Explain(); !status.ok()) return status;
  if (!outcome_.interrupted) Shrink();
  outcome_.timing = TimingOf(send_errors_);
  return std::move(outcome_);
}

}  // namespace trial
