#include "replay/judge/judge.h"

#include <algorithm>
#include <csignal>
#include <cstring>

#include "capture/base/text.h"
#include "replay/judge/inside.h"

namespace trial {
namespace {

using witness::FormatDuration;
using witness::Result;
using witness::SafeText;
using witness::SafeTextWithEnding;
using witness::Status;

Bytes Lowered(ByteView text) {
  Bytes out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c | 0x20);
  return out;
}

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

std::optional<Divergence> CompareCommands(const Observations& base, const Observations& seen) {
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    if (base.commands[i].bytes == seen.commands[i].bytes) continue;
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

std::optional<Divergence> CompareOutput(const std::vector<OutputLine>& base,
                                        const std::vector<OutputLine>& got, bool ignore_case,
                                        const Observations& seen) {
  const auto same = [&](const OutputLine& a, const OutputLine& b) {
    return a.errors == b.errors &&
           (ignore_case ? Lowered(a.compared) == Lowered(b.compared) : a.compared == b.compared);
  };
  const std::size_t common = std::min(base.size(), got.size());
  std::size_t i = 0;
  while (i < common && same(base[i], got[i])) ++i;
  if (i == base.size() && i == got.size()) return std::nullopt;
  Divergence divergence;
  divergence.at = i < got.size() ? got[i].at : seen.ended;
  const bool extra = i >= base.size() || (i < got.size() && base[i].errors != got[i].errors);
  divergence.what = extra ? "printed one more line" : "printed something else";
  if (i >= got.size()) divergence.what = "did not print a line";
  divergence.expected = i < base.size() ? SafeText(base[i].text) : "nothing more";
  divergence.got = i < got.size() ? SafeText(got[i].text) : EndingWords(seen);
  divergence.command = CommandsBefore(seen, divergence.at);
  return divergence;
}

// Fills in how much later the subject was by its own doing. A wait counts as later only if both the
// wait behind the reply and the whole time from command to command have grown: so neither a slower
// module nor a program that pauses for a fixed time is taken for slow.
void MeasureLateness(const Observations& base, const Observations& seen, Verdict& verdict) {
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    const auto cycle = [&](const Observations& o) {
      const Instant next = i + 1 < o.commands.size() ? o.commands[i + 1].from : o.ended;
      return next - o.commands[i].from;
    };
    const Duration wait = WaitBehind(seen, i);
    const Duration later = std::min(wait - WaitBehind(base, i), cycle(seen) - cycle(base));
    if (later < Duration::Milliseconds(10)) continue;
    verdict.later = verdict.later + later;
    if (wait > verdict.slowest_wait) {
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
                  " against the replies as recorded; " + Standing(base);
  } else if (base.ending != SubjectEnding::kExited && base.ending != SubjectEnding::kOver) {
    verdict.why = EndingWords(base) + " against the replies as recorded; " + Standing(base);
  } else if (const auto wired = Faults(base);
             !wired.empty() && wired[0].name == "module-elsewhere") {
    verdict.why = wired[0].words;
  } else if (base.commands.empty() && base.answers.empty()) {
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
  }
  return verdict;
}

Verdict Judge::OfTrial(const Observations& base, const Observations& seen,
                       const Expectation& expectation) const {
  const auto last = static_cast<std::uint32_t>(seen.commands.size());
  const auto base_lines = Lines(base);
  const auto lines = Lines(seen);
  const auto commands = CompareCommands(base, seen);

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
    return Broke("an error that it does not handle",
                 {line->at, "an error that it does not handle", "none", text,
                  CommandsBefore(seen, line->at)});
  }
  for (const Remark& remark : seen.remarks) {
    if (remark.kind != "orphan" && remark.kind != "reset" && remark.kind != "stack") continue;
    const bool known = std::any_of(base.remarks.begin(), base.remarks.end(),
                                   [&](const Remark& r) { return r.kind == remark.kind; });
    if (!known) return Broke(remark.text, {remark.at, remark.text, "not so", remark.kind, last});
  }

  std::optional<Divergence> first;
  if (expectation.same_commands) first = commands;
  if (expectation.same_output) {
    const auto output = CompareOutput(base_lines, lines, expectation.ignore_case, seen);
    if (output && (!first || output->at < first->at)) first = output;
  }
  const auto shows = [](const std::vector<OutputLine>& all, const Bytes& text) {
    return std::any_of(all.begin(), all.end(),
                       [&](const OutputLine& line) { return line.text.find(text) != Bytes::npos; });
  };
  for (const Grown& grown : expectation.grown)
    if (!first && shows(base_lines, grown.before) && !shows(lines, grown.after))
      first = Divergence{seen.ended, "did not show all of a longer reply",
                         "all " + std::to_string(grown.after.size()) + " bytes from " +
                             SafeText(grown.before) + " on",
                         lines.empty() ? "nothing" : SafeText(lines.back().text), last};
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
  const Duration base_length =
      base.commands.empty() ? Duration::Zero() : base.ended - base.commands[0].from;
  if (verdict.later < kSlowFrom || verdict.later < base_length / 10) return verdict;
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
