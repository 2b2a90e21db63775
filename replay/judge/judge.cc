#include "replay/judge/judge.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <csignal>
#include <cstring>

#include "capture/base/text.h"
#include "replay/judge/inside.h"
#include "replay/part/cue.h"

namespace trial {
namespace {

using witness::FormatDuration;
using witness::Result;
using witness::SafeText;
using witness::SafeTextWithEnding;
using witness::Status;

// A trial that holds but is later by this is said to be.
constexpr Duration kWorthNoting = Duration::Milliseconds(200);

std::uint32_t CommandsBefore(const Observations& seen, Instant at) {
  std::uint32_t count = 0;
  for (const TakenCommand& command : seen.commands) count += command.from <= at ? 1 : 0;
  return count;
}

std::string Ordinal(std::uint32_t n) { return "command " + std::to_string(n); }

std::string EndingWords(const Observations& seen) {
  switch (seen.ending) {
    case SubjectEnding::kExited:
      return "exit status " + std::to_string(seen.exit_status);
    case SubjectEnding::kSignalled: {
      const char* name = sigabbrev_np(seen.signal);
      return "ended by signal " +
             (name != nullptr ? "SIG" + std::string(name) : std::to_string(seen.signal));
    }
    case SubjectEnding::kOutOfTime:
      return "still running when its time was over";
    case SubjectEnding::kOver:
      return "watched to the end";
    case SubjectEnding::kCrashed:
      return "crashed";
    case SubjectEnding::kReset:
      return "started anew";
    case SubjectEnding::kHung:
      return "hung";
    case SubjectEnding::kDisconnected:
      return "the port went away";
    case SubjectEnding::kUnspecified:
      break;
  }
  return "ended in an unknown way";
}

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

std::optional<Divergence> CompareCommands(const Observations& base, const Observations& seen,
                                          const Steadiness& steadiness) {
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    if (base.commands[i].bytes == seen.commands[i].bytes || steadiness.LooseCommand(i)) continue;
    return Divergence{
        seen.commands[i].from, "sent another command", SafeTextWithEnding(base.commands[i].bytes),
        SafeTextWithEnding(seen.commands[i].bytes), static_cast<std::uint32_t>(i + 1)};
  }
  if (seen.commands.size() > common)
    return Divergence{seen.commands[common].from, "sent one more command", "nothing more",
                      SafeTextWithEnding(seen.commands[common].bytes),
                      static_cast<std::uint32_t>(common + 1)};
  if (base.commands.size() > common)
    return Divergence{seen.ended, "did not send a command",
                      SafeTextWithEnding(base.commands[common].bytes), EndingWords(seen),
                      static_cast<std::uint32_t>(common + 1)};
  return std::nullopt;
}

// Lines that `may_be_more` allows stand besides those of the baseline; all those are there, in
// order.
template <typename Same, typename MayBeMore>
bool OnlyMore(const std::vector<OutputLine>& base, const std::vector<OutputLine>& got, Same same,
              MayBeMore may_be_more) {
  std::size_t i = 0;
  for (const OutputLine& line : got) {
    if (i < base.size() && same(i, line))
      ++i;
    else if (!may_be_more(line))
      return false;
  }
  return i == base.size();
}

// Programs take a reply for complete after a silence that is hardly longer.
constexpr Duration kMostQuiet = Duration::Milliseconds(600);

// Whether a figure without unit is how long something had taken when it was printed: since the
// program began or one of its commands, or from one command to the next.
bool IsElapsed(ByteView figure, Instant printed, const Observations& o) {
  const std::size_t point = figure.find('.');
  if (point == ByteView::npos || point == 0 || point + 1 == figure.size()) return false;
  double value = 0;
  const auto parsed = std::from_chars(figure.data(), figure.data() + figure.size(), value);
  if (parsed.ec != std::errc() || parsed.ptr != figure.data() + figure.size()) return false;
  // The last digit may be rounded; and it is printed a little later than it was measured.
  const double step = std::pow(10.0, -static_cast<double>(figure.size() - point - 1));
  const double late = 80 + static_cast<double>(o.starved.ns()) / 1e6;
  const auto fits = [&](double ms, double unit) {
    return value * unit <= ms + step * unit && value * unit >= ms - late - step * unit;
  };
  const double since_start = (printed - Instant()).milliseconds();
  for (const double unit : {1000.0, 1.0}) {  // in seconds, in milliseconds
    if (value * unit < 10 && unit == 1.0) break;
    const double least = o.commands.empty() ? 0 : (printed - o.commands[0].from).milliseconds();
    if (value * unit <= since_start + step * unit && value * unit >= least - late - step * unit)
      return true;
    for (std::size_t i = 0; i < o.commands.size() && o.commands[i].from <= printed; ++i) {
      const Instant from = o.commands[i].from;
      if (fits((printed - from).milliseconds(), unit)) return true;
      // Measured then, printed later: from the command to a little behind its answer.
      const Instant next = std::min(i + 1 < o.commands.size() ? o.commands[i + 1].from : o.ended,
                                    AnswerEnd(o, i) + kMostQuiet);
      if (value * unit <= (next - from).milliseconds() + step * unit &&
          value * unit >= (AnswerEnd(o, i) - from).milliseconds() - step * unit)
        return true;
    }
  }
  return false;
}

// Two lines that are the same but for such figures.
bool SameButForElapsed(const OutputLine& a, const Observations& of_a, const OutputLine& b,
                       const Observations& of_b) {
  const auto figure = [](ByteView text, std::size_t& at) {
    const std::size_t from = at;
    while (at < text.size() && (text[at] == '.' || (text[at] >= '0' && text[at] <= '9'))) ++at;
    return text.substr(from, at - from);
  };
  std::size_t i = 0;
  std::size_t k = 0;
  while (i < a.compared.size() && k < b.compared.size()) {
    const ByteView x = figure(a.compared, i);
    const ByteView y = figure(b.compared, k);
    if (x != y && !(IsElapsed(x, a.at, of_a) && IsElapsed(y, b.at, of_b))) return false;
    if (i < a.compared.size() && k < b.compared.size() && a.compared[i++] != b.compared[k++])
      return false;
  }
  return i == a.compared.size() && k == b.compared.size();
}

std::optional<Divergence> CompareOutput(const std::vector<OutputLine>& base,
                                        const std::vector<OutputLine>& got,
                                        const Expectation& expectation,
                                        const Steadiness& steadiness, const Observations& of_base,
                                        const Observations& seen) {
  const auto same = [&](std::size_t i, const OutputLine& line) {
    return steadiness.SameLine(i, base[i], line, expectation.ignore_case) ||
           (base[i].errors == line.errors && SameButForElapsed(base[i], of_base, line, seen));
  };
  const std::size_t common = std::min(base.size(), got.size());
  std::size_t i = 0;
  while (i < common && same(i, got[i])) ++i;
  if (i == base.size() && i == got.size()) return std::nullopt;

  const auto holds = [](const OutputLine& line, ByteView text) {
    return text.size() > 1 && line.text.find(text) != Bytes::npos;
  };
  const auto may_be_more = [&](const OutputLine& line) {
    for (const Bytes& text : expectation.added)
      if (holds(line, text)) return true;
    for (const TakenCommand& command : seen.commands)
      if (expectation.echoed && holds(line, WithoutEnding(command.bytes))) return true;
    return false;
  };
  if (OnlyMore(base, got, same, may_be_more)) return std::nullopt;

  Divergence divergence;
  divergence.at = i < got.size() ? got[i].at : seen.ended;
  const bool extra = i >= base.size() || (i < got.size() && base[i].errors != got[i].errors);
  divergence.what = extra ? "printed one more line" : "printed something else";
  if (i >= got.size()) divergence.what = kLineMissing;
  divergence.expected = i < base.size() ? SafeText(base[i].text) : "nothing more";
  divergence.got = i < got.size() ? SafeText(got[i].text) : EndingWords(seen);
  divergence.command = CommandsBefore(seen, divergence.at);
  return divergence;
}

bool Shown(const std::vector<OutputLine>& lines, const Bytes& text) {
  return std::any_of(lines.begin(), lines.end(),
                     [&](const OutputLine& line) { return line.text.find(text) != Bytes::npos; });
}

// What was shown of a reply that is now longer has to be shown in its new length.
std::optional<Divergence> CompareGrown(const std::vector<OutputLine>& base,
                                       const std::vector<OutputLine>& got,
                                       const std::vector<Grown>& all, const Observations& seen) {
  for (const Grown& grown : all) {
    if (!Shown(base, grown.before) || Shown(got, grown.after)) continue;
    if (grown.same_value && Shown(got, grown.before)) continue;
    // One that takes a field of a fixed form out of the reply shows what it showed before, and no
    // beginning of what is new.
    const bool same_field = std::any_of(got.begin(), got.end(), [&](const OutputLine& line) {
      const std::size_t at = line.text.find(grown.before);
      if (at == Bytes::npos || grown.same_value) return false;
      const std::size_t behind = at + grown.before.size();
      return behind >= line.text.size() || line.text[behind] != grown.after[grown.before.size()];
    });
    if (same_field) continue;
    return Divergence{seen.ended, "did not show all of a longer reply",
                      "all " + std::to_string(grown.after.size()) + " bytes from " +
                          SafeText(grown.before) + " on",
                      got.empty() ? "nothing" : SafeText(got.back().text),
                      static_cast<std::uint32_t>(seen.commands.size())};
  }
  return std::nullopt;
}

// Fills in how much later the subject was by its own doing. A wait counts as later only if both the
// wait behind the reply and the whole time from command to command have grown: so neither a slower
// module nor a program that pauses for a fixed time is taken for slow.
// Waits that were the machine's doing are taken off.
void MeasureLateness(const Observations& base, const Observations& seen, Verdict& verdict) {
  Duration starved = seen.starved;
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    const auto cycle = [&](const Observations& o) {
      const Instant next = i + 1 < o.commands.size() ? o.commands[i + 1].from : o.ended;
      return next - o.commands[i].from;
    };
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

Duration WaitBehind(const Observations& o, std::size_t index) {
  const Instant next = index + 1 < o.commands.size() ? o.commands[index + 1].from : o.ended;
  return std::max(next - AnswerEnd(o, index), Duration::Zero());
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
  Duration worst;
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

Verdict Judge::OfBaseline(const Observations& base) const {
  Verdict verdict;
  verdict.kind = VerdictKind::kNoContest;
  if (base.ending == SubjectEnding::kOutOfTime) {
    verdict.why = "it did not end within " + FormatDuration(demands_.within) +
                  " against the replies as recorded; " + Standing(base) +
                  " (if it runs for ever, say how long to watch it: --for TIME)";
  } else if (base.ending != SubjectEnding::kExited && base.ending != SubjectEnding::kOver) {
    verdict.why = EndingWords(base) + " against the replies as recorded; " + Standing(base);
  } else if (const auto wired = Faults(base);
             !wired.empty() && wired[0].name == "module-elsewhere") {
    verdict.why = wired[0].words;
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
  if (!first) first = CompareGrown(base_lines, lines, expectation.grown, seen);
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
  const Duration base_length = base.ended - base.commands[0].from;
  const bool long_wait = verdict.longest_later >= kSlowWait;
  if (!long_wait && (verdict.later < kSlowInAll || verdict.later < base_length / 10)) {
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
