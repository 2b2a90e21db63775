// The baseline: how a subject takes the replies as recorded, and how it is followed.
#include <algorithm>
#include <future>

#include "replay/judge/inside.h"
#include "replay/judge/trials.h"
#include "replay/part/cue.h"

namespace trial {

using witness::Result;
using witness::Status;

RunLimits Trials::Limits(const Observations& baseline) const {
  RunLimits limits;
  limits.within = judge_.demands().within;
  limits.expected_commands = baseline.commands.size();
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
    if (subject_.virtual_time()) {
      if (Status status = LearnClock(part, runs.back()); !status.ok()) return status;
      return std::move(runs.back());
    }
    if (runs.size() == 1 && endless && !both_at_once) return std::move(runs.back());
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

}  // namespace trial
