#include "replay/judge/trials.h"

#include <sys/sysinfo.h>
#include <unistd.h>

#include <algorithm>
#include <condition_variable>
#include <deque>
#include <future>
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

// A subject that was kept from the processor for so long, in all, may have failed for that.
constexpr Duration kStarved = Duration::Milliseconds(100);
// Below these nothing disturbed a trial that ran while others did.
constexpr Duration kPrompt = Duration::Milliseconds(10);
constexpr Duration kHardlyStarved = Duration::Milliseconds(20);

constexpr Duration kGapThatMatters = Duration::Milliseconds(5);

bool SentLate(const Observations& seen) {
  return !seen.virtual_time && WorstSend(seen) > kLateSend;
}

bool TimingFailed(const Observations& seen) {
  return SentLate(seen) || (!seen.virtual_time && seen.starved > kStarved);
}

bool Undisturbed(const Observations& seen) {
  return seen.virtual_time ||
         (WorstSend(seen) <= kPrompt && seen.starved <= kHardlyStarved && !seen.has_helpers);
}

// Pieces that were to come apart came nearly together: what holds then was not tried.
bool GapsLost(const Observations& seen) {
  if (seen.virtual_time) return false;
  for (std::size_t i = 1; i < seen.said.size(); ++i) {
    const Said& before = seen.said[i - 1];
    const Said& now = seen.said[i];
    const Duration planned = now.send.due - before.send.due;
    if (now.send.command == before.send.command && planned >= kGapThatMatters &&
        now.sent - before.sent < planned / 3)
      return true;
  }
  return false;
}

// Whether this run may not be relied on, for what the machine did.
bool Spoiled(const TrialResult& run) {
  return run.verdict.kind == VerdictKind::kHeld ? GapsLost(run.observations)
                                                : TimingFailed(run.observations);
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

Result<TrialResult> Trials::RunAsRecorded(const Part& part) {
  TrialResult result;
  RunLimits limits;
  limits.within = judge_.demands().within;
  auto seen = subject_.Run(part, limits);
  if (!seen.ok()) return seen.status();
  // A board never ends by itself: once more, and ended by the rule that ends the trials, so that
  // baseline and trials are watched equally long.
  if (subject_.virtual_time() && seen->ending == SubjectEnding::kOver && !seen->commands.empty()) {
    seen = subject_.Run(part, Limits(*seen));
    if (!seen.ok()) return seen.status();
  }
  result.observations = std::move(*seen);
  result.played = part;
  result.runs = 1;
  result.took = result.observations.ended - Instant();
  result.verdict = judge_.OfBaseline(result.observations);
  result.held = result.verdict.kind == VerdictKind::kHeld ? 1 : 0;
  return result;
}

// Runs until two do alike: what differs between those two is the subject's own way. Three that all
// do otherwise are no contest.
Result<TrialResult> Trials::RunBaseline(const Part& part) {
  std::vector<TrialResult> runs;
  const bool both_at_once = setup_.jobs > 1 && subject_.most_at_once() > 1;
  std::future<Result<TrialResult>> beside;
  if (both_at_once && !subject_.virtual_time())
    beside = std::async(std::launch::async, [&] { return RunAsRecorded(part); });
  steadiness_ = {};
  while (runs.size() < 3) {
    auto next = runs.size() == 1 && beside.valid() ? beside.get() : RunAsRecorded(part);
    if (!next.ok()) return next.status();
    NoteTiming(next->observations);
    const bool endless = next->observations.ending == SubjectEnding::kOutOfTime;
    runs.push_back(std::move(*next));
    const TrialResult& last = runs.back();
    if (subject_.virtual_time() || (runs.size() == 1 && endless && !both_at_once))
      return std::move(runs.back());
    const auto lines = judge_.Lines(last.observations);
    for (std::size_t i = 0; i + 1 < runs.size(); ++i) {
      const auto before = judge_.Lines(runs[i].observations);
      const bool held = last.verdict.kind == VerdictKind::kHeld;
      if (runs[i].verdict.kind != last.verdict.kind ||
          (held && !Steadiness::Alike(runs[i].observations, before, last.observations, lines)))
        continue;
      if (held) steadiness_ = Steadiness(runs[i].observations, before, last.observations, lines);
      TrialResult baseline = std::move(runs[i]);
      baseline.runs = static_cast<std::uint32_t>(runs.size());
      baseline.held = held ? 2 : 0;
      if (held && runs.size() > 2) baseline.notes.push_back("did otherwise in 1 run of 3");
      if (const std::string words = steadiness_.Words(); !words.empty())
        baseline.notes.push_back(words);
      return baseline;
    }
  }
  TrialResult baseline = std::move(runs[0]);
  baseline.verdict.kind = VerdictKind::kNoContest;
  baseline.verdict.why =
      "it does something else each time with the replies as recorded (three runs): leave out what "
      "may differ with --ignore, or make it do the same";
  return baseline;
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

Result<TrialResult> Trials::RunTrial(std::size_t index, const Combination& combination,
                                     bool alone) {
  VariationContext context;
  context.seed = setup_.seed;
  context.with = setup_.with;
  auto varied = Vary(outcome_.played, combination, context);
  if (!varied.ok()) return varied.status();
  const Observations& base = outcome_.baseline.observations;
  RunLimits limits = Limits(base);
  limits.within = Within(varied->part);

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
    auto seen = subject_.Run(varied->part, limits);
    if (!seen.ok()) return seen.status();
    result.observations = std::move(*seen);
    result.took = result.observations.ended - Instant();
    result.verdict = judge_.OfTrial(base, result.observations, result.expectation, steadiness_);
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
    const bool unsure =
        held ? GapsLost(done.result->observations) : !Undisturbed(done.result->observations);
    if (unsure && jobs > 1)
      again.push_back(done.place);
    else if (on_trial)
      on_trial(*done.result, count + 1 - again.size(), tasks);
    results[done.place] = std::move(*done.result);
  }
  stop = true;
  if (!first_error.ok()) subject_.Interrupt();
  for (std::thread& worker : workers) worker.join();
  if (!first_error.ok()) return first_error;

  // Alone, what did not hold in company.
  std::sort(again.begin(), again.end());
  std::size_t count = tasks - again.size();
  for (const std::size_t place : again) {
    auto result = run(place, true);
    if (!result.ok()) return result.status();
    NoteTiming(result->observations);
    results[place] = std::move(*result);
    if (on_trial) on_trial(*results[place], ++count, tasks);
  }
  for (std::size_t first = 0; first < tasks; first += repeat) {
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

// What tells two causes apart and is not in the plan is run besides.
Status Trials::Explain() {
  const auto fails = [](const TrialResult& trial) {
    return trial.verdict.kind == VerdictKind::kBroke || trial.verdict.kind == VerdictKind::kSlow;
  };
  std::vector<TrialResult> others = outcome_.trials;
  for (TrialResult& trial : outcome_.trials) {
    if (!fails(trial)) continue;
    trial.verdict.diagnoses = Diagnose(outcome_.baseline, trial, others, judge_);
    const auto wanted = WantedBesides(trial, others);
    if (wanted.empty()) continue;
    for (const Combination& combination : wanted) {
      auto other = RunTrial(trial.index, combination, true);
      if (!other.ok()) return other.status();
      others.push_back(std::move(*other));
    }
    trial.verdict.diagnoses = Diagnose(outcome_.baseline, trial, others, judge_);
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

// Takes the recorded answers in order if the subject says things that the recording does not know
// but as many of them: a counter or the time of day in a command, say.
Status Trials::Follow() {
  const auto words = [&](const Observations& seen) {
    const auto known = std::count_if(seen.commands.begin(), seen.commands.end(),
                                     [](const TakenCommand& c) { return c.known; });
    const std::string all = std::to_string(seen.commands.size());
    return std::string("by look-up: the recording knows ") +
           (known == std::ssize(seen.commands) ? "each" : std::to_string(known)) + " of its " +
           all + " commands";
  };
  const auto& seen = outcome_.baseline.observations;
  outcome_.following = words(seen);
  if (setup_.part.plays != witness::Side::kModule || seen.commands.empty() ||
      setup_.part.following == Following::kInOrder)
    return witness::OkStatus();
  std::size_t turns = 0;
  for (const Rule& rule : setup_.part.rules) turns += rule.answers.size();
  const auto any = [&](const auto& predicate) {
    return std::any_of(seen.commands.begin(), seen.commands.end(), predicate);
  };
  const bool any_known = any([](const TakenCommand& c) { return c.known; });
  const bool any_unknown = any([](const TakenCommand& c) { return !c.known; });
  // Its line ending is wrong: that is to be told, not to be got around.
  const bool other_ending =
      any([&](const TakenCommand& c) { return !c.known && KnowsText(setup_.part, c.bytes); });
  const auto faults = Faults(seen);
  const bool elsewhere = !faults.empty() && faults[0].name == "module-elsewhere";
  if (other_ending && !any_known && outcome_.baseline.verdict.kind == VerdictKind::kHeld) {
    // What it printed was printed without a single answer.
    outcome_.baseline.verdict.kind = VerdictKind::kNoContest;
    outcome_.baseline.verdict.why = "the module takes none of its commands";
  }
  if (!any_unknown || other_ending || elsewhere) return witness::OkStatus();
  Part in_order = setup_.part;
  in_order.following = Following::kInOrder;
  const Steadiness before = steadiness_;
  auto again = RunBaseline(in_order);
  if (!again.ok()) return again.status();
  if (again->verdict.kind != VerdictKind::kHeld || again->observations.commands.size() != turns) {
    steadiness_ = before;
    return witness::OkStatus();
  }
  outcome_.baseline = std::move(*again);
  outcome_.played = in_order;
  outcome_.following =
      "in order: it sends commands that the recording does not know, but as many as it has";
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
  Shrink();
  outcome_.timing = TimingOf(send_errors_);
  return std::move(outcome_);
}

}  // namespace trial
