#include "replay/judge/judge.h"

#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/divergence.h"
#include "replay/judge/inside.h"

namespace trial {
namespace {

using witness::FormatDuration;
using witness::Result;
using witness::SafeText;
using witness::SafeTextWithEnding;
using witness::Status;

// A trial that holds but is later by this is said to be.
constexpr Duration kWorthNoting = Duration::Milliseconds(200);

std::string Ordinal(std::uint32_t n) { return "command " + std::to_string(n); }

// Where a subject stands when it stops making progress.
std::string Standing(const Observations& seen) {
  if (!seen.unfinished.empty())
    return "the last it sent, " + SafeTextWithEnding(seen.unfinished) +
           ", never ended as a command ends";
  if (seen.commands.empty()) return "it sent no command";
  const auto n = static_cast<std::uint32_t>(seen.commands.size());
  return "the last it sent was " + Ordinal(n) + ", " +
         SafeTextWithEnding(seen.commands.back().bytes);
}

// An exception that nobody caught, as the usual runtimes report it.
const OutputLine* Unhandled(const std::vector<OutputLine>& lines) {
  for (const OutputLine& line : lines)
    if (line.errors && (line.text.starts_with("Traceback (most recent call last)") ||
                        line.text.starts_with("terminate called")))
      return &line;
  return nullptr;
}

Verdict Broke(std::string why, Divergence divergence) {
  Verdict verdict;
  verdict.kind = VerdictKind::kBroke;
  verdict.why = std::move(why);
  verdict.divergence = std::move(divergence);
  return verdict;
}

// Fills in how much later the subject was by its own doing. A wait counts as later only if both the
// wait behind the reply and the whole time from command to command have grown: so neither a slower
// module nor a program that pauses for a fixed time is taken for slow.
// Waits that were the machine's doing are taken off.
void MeasureLateness(const Observations& base, const Observations& seen, Verdict& verdict) {
  Duration starved = seen.starved;
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    const auto cycle = [&](const Observations& o) { return WentOn(o, i) - o.commands[i].from; };
    const Duration wait = WaitBehind(seen, i);
    Duration later = std::min(wait - WaitBehind(base, i), cycle(seen) - cycle(base));
    if (later < Duration::Milliseconds(10)) continue;
    const Duration ours = std::min(starved, later);
    starved = starved - ours;
    later = later - ours;
    verdict.later = verdict.later + later;
    if (later > verdict.longest_later) {
      verdict.longest_later = later;
      verdict.slowest_wait = wait;
      verdict.slowest_command = static_cast<std::uint32_t>(i + 1);
    }
  }
}

}  // namespace

const char* VerdictName(VerdictKind kind) {
  switch (kind) {
    case VerdictKind::kHeld:
      return "held";
    case VerdictKind::kBroke:
      return "broke";
    case VerdictKind::kSlow:
      return "slow";
    case VerdictKind::kNoContest:
      break;
  }
  return "no contest";
}

Instant AnswerEnd(const Observations& o, std::size_t index) {
  Instant end = o.commands[index].taken;
  for (const Said& said : o.said)
    if (said.send.command == index + 1) end = std::max(end, said.sent);
  return end;
}

Instant WentOn(const Observations& o, std::size_t index) {
  if (index + 1 < o.commands.size()) return o.commands[index + 1].from;
  if (!o.virtual_time || o.ending != SubjectEnding::kOver) return o.ended;
  const Instant end = AnswerEnd(o, index);
  return o.printed.empty() ? end : std::max(end, o.printed.back().at);
}

Duration WaitBehind(const Observations& o, std::size_t index) {
  return std::max(WentOn(o, index) - AnswerEnd(o, index), Duration::Zero());
}

Observations CutBehind(Observations o, std::size_t count) {
  if (o.commands.size() <= count) return o;
  const Instant over = o.commands[count].from;
  o.commands.resize(count);
  std::erase_if(o.printed, [&](const Printed& printed) { return printed.at >= over; });
  std::erase_if(o.said, [&](const Said& said) { return said.send.command > count; });
  o.ended = over;
  return o;
}

Duration WorstSend(const Observations& o) {
  Duration worst = o.overdue;
  for (const Said& said : o.said) worst = std::max(worst, said.sent - said.send.due);
  return worst;
}

Result<Judge> Judge::Create(const Demands& demands) {
  Judge judge(demands);
  const auto compile = [](const char* option, const std::vector<std::string>& texts,
                          Patterns& into) -> Status {
    auto compiled = Patterns::Compile(texts);
    if (!compiled.ok()) return compiled.status().In(option);
    into = std::move(*compiled);
    return witness::OkStatus();
  };
  if (Status s = compile("--ignore", demands.ignore, judge.ignore_); !s.ok()) return s;
  if (Status s = compile("--must-say", demands.must_say, judge.must_say_); !s.ok()) return s;
  if (Status s = compile("--must-not-say", demands.must_not_say, judge.must_not_say_); !s.ok())
    return s;
  return judge;
}

std::vector<OutputLine> Judge::Lines(const Observations& observations) const {
  return OutputLines(observations, ignore_);
}

std::optional<Verdict> Judge::AgainstDemands(const Observations& seen) const {
  Bytes all = PrintedText(seen, false) + "\n" + PrintedText(seen, true);
  for (std::size_t i = 0; i < must_say_.size(); ++i)
    if (!must_say_.Found(i, all))
      return Broke("did not say what it must",
                   {seen.ended, "did not say what it must", witness::SafeName(must_say_.text(i)),
                    "nothing that fits", static_cast<std::uint32_t>(seen.commands.size())});
  for (const OutputLine& line : OutputLines(seen, Patterns()))
    for (std::size_t i = 0; i < must_not_say_.size(); ++i)
      if (must_not_say_.Found(i, line.text))
        return Broke("said what it must not",
                     {line.at, "said what it must not",
                      "nothing like " + witness::SafeName(must_not_say_.text(i)),
                      SafeText(line.text), CommandsBefore(seen, line.at)});
  if (demands_.exit && seen.ending == SubjectEnding::kExited && seen.exit_status != *demands_.exit)
    return Broke("ended with " + EndingWords(seen),
                 {seen.ended, "ended otherwise", "exit status " + std::to_string(*demands_.exit),
                  EndingWords(seen), static_cast<std::uint32_t>(seen.commands.size())});
  return std::nullopt;
}

namespace {

const Diagnosis* FindFault(const std::vector<Diagnosis>& faults, std::string_view name) {
  for (const Diagnosis& fault : faults)
    if (fault.name == name) return &fault;
  return nullptr;
}

}  // namespace

Verdict Judge::OfBaseline(const Observations& base) const {
  Verdict verdict;
  verdict.kind = VerdictKind::kNoContest;
  const auto wired = Faults(base);
  if (base.ending == SubjectEnding::kOutOfTime) {
    verdict.why = "it did not end within " + FormatDuration(demands_.within) +
                  " against the replies as recorded; " + Standing(base) +
                  " (if it runs for ever, say how long to watch it: --for TIME)";
  } else if (base.ending != SubjectEnding::kExited && base.ending != SubjectEnding::kOver) {
    verdict.why = EndingWords(base) + " against the replies as recorded; " + Standing(base);
  } else if (!wired.empty() && wired[0].name == "module-elsewhere") {
    verdict.why = wired[0].words;
  } else if (const Diagnosis* cut = FindFault(wired, "cuts-own-command");
             cut != nullptr && must_say_.size() == 0 &&
             (!base.unfinished.empty() ||
              std::any_of(base.commands.begin(), base.commands.end(),
                          [](const TakenCommand& c) { return !c.known; }))) {
    verdict.why = cut->words;
  } else if (base.commands.empty() && base.answers.empty() &&
             // One that only listens is judged by what it prints.
             (base.said.empty() || base.printed.empty() || !base.unfinished.empty())) {
    verdict.why = base.unfinished.empty() ? "it sent nothing to the port" : Standing(base);
  } else if (const auto failed = AgainstDemands(base)) {
    verdict.why = "against the replies as recorded it " + failed->why;
    verdict.divergence = failed->divergence;
  } else if (base.ending == SubjectEnding::kExited && base.exit_status != 0 && !demands_.exit) {
    verdict.why = "it ended with exit status " + std::to_string(base.exit_status) +
                  " against the replies as recorded (if that is right, say --exit " +
                  std::to_string(base.exit_status) + ")";
  } else if (const Remark* lost = LostReply(base); lost != nullptr && must_say_.size() == 0) {
    // With a demand that is met, the person has said what counts.
    verdict.why = "against the replies as recorded it lost bytes: " + lost->text;
  } else {
    verdict.kind = VerdictKind::kHeld;
    verdict.why = "the baseline";
    return verdict;
  }
  const auto lines = Lines(base);
  if (base.ending != SubjectEnding::kOver && !lines.empty() && lines.back().errors)
    verdict.why += "; the last it printed: " + SafeText(lines.back().text);
  return verdict;
}

Verdict Judge::OfTrial(const Observations& base, const Observations& seen,
                       const Expectation& expectation, const Steadiness& steadiness) const {
  const auto last = static_cast<std::uint32_t>(seen.commands.size());
  const auto base_lines = steadiness.Compared(Lines(base));
  const auto lines = steadiness.Compared(Lines(seen));

  if (seen.ending != base.ending && seen.ending != SubjectEnding::kExited) {
    std::string why = EndingWords(seen);
    if (!seen.ending_words.empty()) why += ": " + witness::SafeName(seen.ending_words);
    return Broke(why, {seen.ended, why, EndingWords(base), Standing(seen), last});
  }
  if (auto failed = AgainstDemands(seen)) return *failed;
  if (const OutputLine* line = Unhandled(lines);
      line != nullptr && Unhandled(base_lines) == nullptr) {
    std::string text = SafeText(line->text);
    for (const OutputLine& other : lines)
      if (other.errors) text = SafeText(other.text);
    return Broke(kUnhandledError,
                 {line->at, kUnhandledError, "none", text, CommandsBefore(seen, line->at)});
  }
  if (seen.ending != base.ending)
    return Broke("ended by itself",
                 {seen.ended, "ended by itself", EndingWords(base), EndingWords(seen), last});
  for (const Remark& remark : seen.remarks) {
    if (remark.kind != "orphan" && remark.kind != "reset" && remark.kind != "stack") continue;
    const bool known = std::any_of(base.remarks.begin(), base.remarks.end(),
                                   [&](const Remark& r) { return r.kind == remark.kind; });
    if (!known) return Broke(remark.text, {remark.at, remark.text, "not so", remark.kind, last});
  }

  std::optional<Divergence> first;
  if (expectation.same_commands) first = CompareCommands(base, seen, steadiness);
  if (expectation.same_output) {
    const auto output = CompareOutput(base_lines, lines, expectation, steadiness, base, seen);
    if (output && (!first || output->at < first->at)) first = output;
  }
  if (!first && !expectation.grown.empty()) {
    first = CompareGrown(base_lines, lines, expectation.grown, seen);
    if (!first) first = CompareWords(base_lines, lines, expectation.grown, base, seen);
  }
  // Whatever may be printed of longer replies, or of lines that have become one: not what remains
  // where bytes were lost.
  if (const Remark* lost = LostReply(seen); !first && lost != nullptr &&
                                            LostReply(base) == nullptr &&
                                            expectation.same_commands && !expectation.same_output)
    if (auto output = CompareOutput(base_lines, lines, expectation, steadiness, base, seen)) {
      output->what = "lost bytes and " + output->what;
      first = std::move(output);
    }
  if (!first && expectation.same_ending && seen.exit_status != base.exit_status && !demands_.exit)
    first = Divergence{seen.ended, "ended otherwise", EndingWords(base), EndingWords(seen), last};
  if (first) {
    Verdict verdict = Broke(first->what, *first);
    MeasureLateness(base, seen, verdict);
    return verdict;
  }

  Verdict verdict;
  if (!expectation.same_output && !expectation.same_commands) return verdict;
  MeasureLateness(base, seen, verdict);
  // A longer text takes its time on the wire to the person too.
  if (seen.virtual_time && !expectation.grown.empty()) return verdict;
  if (verdict.slowest_command == 0) return verdict;
  if (verdict.longest_later < kSlowWait) {
    if (verdict.later >= kWorthNoting)
      verdict.why = FormatDuration(verdict.later) + " later in all";
    return verdict;
  }
  verdict.kind = VerdictKind::kSlow;
  verdict.why = FormatDuration(verdict.later) + " later; longest after the reply to " +
                Ordinal(verdict.slowest_command) + ": waited " +
                FormatDuration(verdict.slowest_wait);
  const std::size_t index = verdict.slowest_command - 1;
  verdict.divergence =
      Divergence{AnswerEnd(seen, index), "waited after the reply",
                 "on after " + FormatDuration(WaitBehind(base, index)),
                 "on after " + FormatDuration(verdict.slowest_wait), verdict.slowest_command};
  return verdict;
}

Verdict Judge::OfModule(const std::vector<Ask>& asks, const Observations& seen) const {
  if (seen.ending == SubjectEnding::kDisconnected)
    return Broke(EndingWords(seen), {seen.ended, EndingWords(seen), "answers to the end",
                                     std::to_string(seen.answers.size()) + " answers", 0});
  for (std::size_t i = 0; i < asks.size(); ++i) {
    const Bytes expected = JoinPieces(asks[i].expect);
    const auto number = static_cast<std::uint32_t>(i + 1);
    if (i >= seen.answers.size())
      return Broke(
          "was not asked to the end",
          {seen.ended, "was not asked to the end", std::to_string(asks.size()) + " commands",
           std::to_string(seen.answers.size()) + " commands", number});
    const HeardAnswer& heard = seen.answers[i];
    if (ignore_.Without(heard.bytes) == ignore_.Without(expected)) continue;
    const std::string what = heard.bytes.empty() ? "did not answer " : "answered otherwise to ";
    return Broke(what + SafeTextWithEnding(asks[i].bytes),
                 {heard.bytes.empty() ? heard.asked : heard.from,
                  what + SafeTextWithEnding(asks[i].bytes), SafeTextWithEnding(expected),
                  heard.bytes.empty() ? "silence" : SafeTextWithEnding(heard.bytes), number});
  }
  Verdict verdict;
  verdict.why = "all " + std::to_string(asks.size()) + " answers as recorded";
  return verdict;
}

}  // namespace trial
