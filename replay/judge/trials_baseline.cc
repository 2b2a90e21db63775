// The baseline: how a subject takes the replies as recorded, and how it is followed.
#include <algorithm>
#include <future>

#include "capture/base/text.h"
#include "replay/judge/diagnosis.h"
#include "replay/judge/disturbance.h"
#include "replay/judge/inside.h"
#include "replay/judge/trials.h"
#include "replay/part/cue.h"

namespace trial {

using witness::Result;
using witness::Status;

namespace {

// A program that still runs so long after the recorded conversation is over runs for ever.
constexpr Duration kPatience = Duration::Seconds(5);
// How often the replies as recorded are played until it is known what the subject does.
constexpr std::size_t kMostRuns = 5;
// Runs that failed only because the machine was busy, before one is taken as it is.
constexpr std::size_t kMostSpoiled = 4;

std::size_t TurnsOf(const Part& part) {
  std::size_t turns = 0;
  for (const Rule& rule : part.rules) turns += rule.answers.size();
  return turns;
}

// When all that belongs to command `index` was said.
bool AnsweredWell(const Observations& seen, std::size_t index) {
  return AnswerEnd(seen, index) + Duration::Milliseconds(300) < seen.ended;
}

// One that was stopped by us while it went on asking, at the pace that it had: not one that hangs.
bool KeptAsking(const Observations& seen) {
  const auto& commands = seen.commands;
  if (commands.size() < 3) return false;
  Duration longest;
  for (std::size_t i = 1; i < commands.size(); ++i)
    longest = std::max(longest, commands[i].from - commands[i - 1].from);
  return seen.ended - commands.back().from < longest * 5 / 2 &&
         std::any_of(commands.begin(), commands.end(),
                     [](const TakenCommand& c) { return c.known; });
}

}  // namespace

RunLimits Trials::Limits(const Observations& baseline) const {
  RunLimits limits;
  limits.within = judge_.demands().within;
  limits.expected_commands = baseline.commands.size();
  limits.stop_behind = stop_behind_;
  limits.linger = std::max(limits.linger, linger_);
  if (!subject_.virtual_time() || baseline.commands.empty()) return limits;
  // What it still printed behind the last answer is waited for in every trial; virtual time is
  // cheap.
  // What it prints by the clock never ends.
  const std::vector<OutputLine> lines = steadiness_.Compared(judge_.Lines(baseline));
  Instant last;
  for (const OutputLine& line : lines) last = std::max(last, line.at);
  for (const Printed& printed : baseline.printed)
    if (printed.at <= last)
      limits.expected_lines +=
          static_cast<std::size_t>(std::count(printed.bytes.begin(), printed.bytes.end(), '\n'));
  const Instant answered = AnswerEnd(baseline, baseline.commands.size() - 1);
  limits.linger =
      std::clamp(last - answered + Duration::Seconds(1), limits.linger, Duration::Seconds(10));
  return limits;
}

Result<TrialResult> Trials::RunAsRecorded(const Part& part) {
  TrialResult result;
  RunLimits limits = Limits({});
  if (!stop_behind_) {
    limits.watch = setup_.run_for;
    limits.recorded_commands =
        part.following == Following::kInOrder || !part.rules.empty() ? TurnsOf(part) : 0;
    // Who says how long it may take will wait for its end.
    if (!judge_.demands().within_given) limits.patience = kPatience;
    // So long it is watched.
    limits.within = std::max(limits.within, limits.watch + kPatience);
  }
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

// Whether the subject runs for ever, and then behind how many commands every run is to be ended: as
// many as were recorded, or as it sent in the time that it was given.
bool Trials::FindWhereToStop(const Part& part, const Observations& seen) {
  if (subject_.virtual_time() || subject_.most_at_once() == 1 || stop_behind_) return false;
  const bool over = seen.ending == SubjectEnding::kOver;
  const bool polls = seen.ending == SubjectEnding::kOutOfTime && KeptAsking(seen);
  if (!over && !polls) return false;
  std::size_t count = seen.commands.size();
  while (count > 1 && !AnsweredWell(seen, count - 1)) --count;
  const std::size_t recorded = TurnsOf(part);
  if (over && setup_.run_for == Duration::Zero() && recorded > 0) count = std::min(count, recorded);
  stop_behind_ = count;
  // It may have nothing more to ask, and still something to print.
  const Instant answered = count > 0 ? AnswerEnd(seen, count - 1) : Instant();
  linger_ = RunLimits().linger;
  // Where the baseline went on to its next command, a slow trial does so too, and is given the
  // time.
  if (count > 0 && count < seen.commands.size())
    linger_ = WaitBehind(seen, count - 1) + Duration::Seconds(10);
  if (count == seen.commands.size() && !seen.printed.empty())
    linger_ = std::clamp(seen.printed.back().at - answered + Duration::Seconds(1), linger_,
                         Duration::Seconds(30));
  return true;
}

// In virtual time a second run is the same to the cycle, so it is given every reply a little later:
// what changes then is a matter of time, not of what was replied.
Status Trials::LearnClock(Part part, TrialResult& baseline) {
  const Observations& first = baseline.observations;
  if (baseline.verdict.kind != VerdictKind::kHeld || first.printed.empty() ||
      first.commands.empty())
    return witness::OkStatus();
  for (Rule& rule : part.rules)
    for (Answer& answer : rule.answers)
      if (!answer.pieces.empty()) answer.pieces[0].after = answer.pieces[0].after + kALittleLater;
  RunLimits limits = Limits(first);
  limits.linger = limits.linger + Duration::Seconds(5);
  const auto later = subject_.Run(part, limits);
  if (!later.ok()) return later.status();
  steadiness_ = Steadiness::ByTheClock(first, judge_.Lines(first), *later, judge_.Lines(*later));
  if (const std::string words = steadiness_.Words(); !words.empty())
    baseline.notes.push_back(words);
  return witness::OkStatus();
}

// Runs until it is known what the subject does with the replies as recorded: two that do alike; if
// those differ in some words, more, for those words may be its own way (a counter) or a slip of one
// run. Runs that all do otherwise are no contest.
Result<TrialResult> Trials::RunBaseline(const Part& part) {
  const bool both_at_once =
      setup_.jobs > 1 && subject_.most_at_once() > 1 && !subject_.virtual_time();
  std::future<Result<TrialResult>> beside;
  const auto start_beside = [&] {
    if (both_at_once) beside = std::async(std::launch::async, [&] { return RunAsRecorded(part); });
  };
  stop_behind_.reset();
  linger_ = Duration::Zero();
  steadiness_ = {};
  start_beside();
  std::vector<TrialResult> runs;
  std::size_t spoiled = 0;
  while (runs.size() < kMostRuns) {
    auto next = RunAsRecorded(part);
    if (beside.valid()) {
      auto second = beside.get();
      if (next.ok() && second.ok()) {
        NoteTiming(second->observations);
        runs.push_back(std::move(*second));
      }
    }
    if (!next.ok()) return next.status();
    NoteTiming(next->observations);
    runs.push_back(std::move(*next));
    if (subject_.virtual_time()) {
      if (Status status = LearnClock(part, runs.back()); !status.ok()) return status;
      return std::move(runs.back());
    }
    if (FindWhereToStop(part, runs.back().observations)) {
      runs.clear();
      start_beside();
      continue;
    }
    // What failed because the machine was busy tells nothing.
    for (std::size_t i = runs.size(); i > 0; --i)
      if (runs[i - 1].verdict.kind != VerdictKind::kHeld &&
          TimingFailed(runs[i - 1].observations) && spoiled < kMostSpoiled) {
        ++spoiled;
        runs.erase(runs.begin() + static_cast<std::ptrdiff_t>(i - 1));
      }
    if (runs.empty()) continue;
    if (runs.back().observations.ending == SubjectEnding::kOutOfTime) return std::move(runs.back());
    // The largest group that did alike.
    std::vector<std::size_t> group;
    for (std::size_t i = 0; i < runs.size(); ++i) {
      std::vector<std::size_t> alike;
      for (std::size_t k = 0; k < runs.size(); ++k)
        if (runs[i].verdict.kind == runs[k].verdict.kind &&
            (runs[i].verdict.kind != VerdictKind::kHeld ||
             Steadiness::Alike(runs[i].observations, judge_.Lines(runs[i].observations),
                               runs[k].observations, judge_.Lines(runs[k].observations))))
          alike.push_back(k);
      if (alike.size() > group.size()) group = std::move(alike);
    }
    if (group.size() < 2 || (group.size() * 2 <= runs.size() && runs.size() < kMostRuns)) continue;
    const bool held = runs[group[0]].verdict.kind == VerdictKind::kHeld;
    std::size_t usual = 0;
    if (held) {
      std::vector<Steadiness::Run> all;
      for (const std::size_t i : group)
        all.push_back({&runs[i].observations, judge_.Lines(runs[i].observations)});
      steadiness_ = Steadiness(all);
      if (!steadiness_.Sure() && runs.size() < kMostRuns) continue;
      usual = steadiness_.Usual();
    }
    TrialResult baseline = std::move(runs[group[usual]]);
    baseline.runs = static_cast<std::uint32_t>(runs.size());
    baseline.held = held ? static_cast<std::uint32_t>(group.size()) : 0;
    if (held && stop_behind_)
      baseline.notes.push_back("does not end by itself: ended after " +
                               std::to_string(*stop_behind_) +
                               (*stop_behind_ == 1 ? " command" : " commands") +
                               ", and judged by those (--for TIME: watch it longer)");
    if (held && group.size() < runs.size())
      baseline.notes.push_back("did otherwise in " + std::to_string(runs.size() - group.size()) +
                               " of " + std::to_string(runs.size()) + " runs");
    if (const std::string words = steadiness_.Words(); !words.empty())
      baseline.notes.push_back(words);
    return baseline;
  }
  TrialResult baseline = std::move(runs[0]);
  baseline.verdict.kind = VerdictKind::kNoContest;
  baseline.verdict.why = "it does something else each time with the replies as recorded (" +
                         std::to_string(runs.size()) +
                         " runs): leave out what may differ with --ignore, or make it do the same";
  return baseline;
}

// Takes the recorded answers in order if the subject says things that the recording does not know
// but as many of them: a counter or the time of day in a command, say.
Status Trials::Follow() {
  const auto words = [&](const Observations& seen) {
    const auto known = std::count_if(seen.commands.begin(), seen.commands.end(),
                                     [](const TakenCommand& c) { return c.known; });
    if (seen.commands.empty()) return std::string("nothing: no command came");
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
  const std::size_t turns = TurnsOf(setup_.part);
  const auto any = [&](const auto& predicate) {
    return std::any_of(seen.commands.begin(), seen.commands.end(), predicate);
  };
  const bool any_known = any([](const TakenCommand& c) { return c.known; });
  const bool any_unknown = any([](const TakenCommand& c) { return !c.known; });
  // Its line ending is wrong: that is to be told, not to be got around.
  const bool other_ending = any([&](const TakenCommand& c) {
    return (!c.known && KnowsText(setup_.part, c.bytes)) || SpoiltByEnding(setup_.part, c);
  });
  const auto faults = Faults(seen);
  const bool elsewhere = !faults.empty() && faults[0].name == "module-elsewhere";
  if (other_ending && !any_known && outcome_.baseline.verdict.kind == VerdictKind::kHeld) {
    // What it printed was printed without a single answer.
    outcome_.baseline.verdict.kind = VerdictKind::kNoContest;
    outcome_.baseline.verdict.why = "the module takes none of its commands";
  }
  if (!any_unknown || other_ending || elsewhere) return witness::OkStatus();
  const auto unanswered = [](const Observations& o) {
    return std::none_of(o.commands.begin(), o.commands.end(),
                        [](const TakenCommand& c) { return c.known; }) &&
           std::none_of(o.said.begin(), o.said.end(),
                        [](const Said& said) { return said.send.sort != SaidSort::kEcho; });
  };
  Part in_order = setup_.part;
  in_order.following = Following::kInOrder;
  const Steadiness before = steadiness_;
  const auto stop_before = stop_behind_;
  const Duration linger_before = linger_;
  auto again = RunBaseline(in_order);
  if (!again.ok()) return again.status();
  if (again->verdict.kind != VerdictKind::kHeld || again->observations.commands.size() != turns) {
    steadiness_ = before;
    stop_behind_ = stop_before;
    linger_ = linger_before;
    if (outcome_.baseline.verdict.kind == VerdictKind::kHeld &&
        unanswered(outcome_.baseline.observations)) {
      outcome_.baseline.verdict.kind = VerdictKind::kNoContest;
      outcome_.baseline.verdict.why =
          "the module knows none of its commands: the first was " +
          witness::SafeTextWithEnding(outcome_.baseline.observations.commands[0].bytes);
    }
    return witness::OkStatus();
  }
  outcome_.baseline = std::move(*again);
  outcome_.played = in_order;
  outcome_.following =
      "in order: it sends commands that the recording does not know, but as many as it has";
  return witness::OkStatus();
}

}  // namespace trial
