#include "replay/judge/divergence.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <csignal>
#include <cstring>

#include "capture/base/text.h"
#include "replay/judge/judge.h"
#include "replay/part/cue.h"

namespace trial {

using witness::SafeText;
using witness::SafeTextWithEnding;

namespace {

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

bool Shown(const std::vector<OutputLine>& lines, const Bytes& text) {
  return std::any_of(lines.begin(), lines.end(),
                     [&](const OutputLine& line) { return line.text.find(text) != Bytes::npos; });
}

// The words of a line without its figures and without what has been put into the reply.
Bytes WordsOf(const Bytes& line, const std::vector<Grown>& all) {
  Bytes text = line;
  for (const Grown& grown : all)
    for (std::size_t at = text.find(grown.after); at != Bytes::npos;
         at = text.find(grown.after, at + grown.before.size()))
      text.replace(at, grown.after.size(), grown.before);
  Bytes words;
  for (const char c : text) {
    const bool figure = (c >= '0' && c <= '9') || c == '.' || c == '-' || c == '+' || c == ',';
    if (figure || c == ' ' || c == '\t') {
      if (!words.empty() && words.back() != ' ') words += ' ';
    } else {
      words += c;
    }
  }
  return words;
}

// The command whose text stands in a line, from 1; the longest of them; 0: none.
std::uint32_t CommandNamed(const Bytes& line, const Observations& seen) {
  std::uint32_t named = 0;
  std::size_t longest = 0;
  for (std::size_t i = 0; i < seen.commands.size(); ++i) {
    const ByteView text = WithoutEnding(seen.commands[i].bytes);
    if (text.size() <= longest || line.find(text) == Bytes::npos) continue;
    longest = text.size();
    named = static_cast<std::uint32_t>(i + 1);
  }
  return named;
}

// Whether it can be told to which command a line belongs: lines came while it still went on asking.
bool PrintsAtOnce(const std::vector<OutputLine>& lines, const Observations& o) {
  return o.commands.size() > 1 && !lines.empty() && lines.front().at < o.commands.back().from;
}

}  // namespace

std::uint32_t CommandsBefore(const Observations& seen, Instant at) {
  std::uint32_t count = 0;
  for (const TakenCommand& command : seen.commands) count += command.from <= at ? 1 : 0;
  return count;
}

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

std::optional<Divergence> CompareCommands(const Observations& base, const Observations& seen,
                                          const Steadiness& steadiness) {
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  for (std::size_t i = 0; i < common; ++i) {
    if (base.commands[i].bytes == seen.commands[i].bytes || steadiness.LooseCommand(i)) continue;
    return Divergence{
        seen.commands[i].from, kAnotherCommand, SafeTextWithEnding(base.commands[i].bytes),
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

// All that was printed, without line ends and blanks: one that shows replies as they come shows
// their line endings, too.
Bytes Joined(const std::vector<OutputLine>& lines) {
  Bytes all;
  for (const OutputLine& line : lines)
    for (const char c : line.compared)
      if (c != ' ') all += c;
  return all;
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
  if (expectation.other_endings && Joined(base) == Joined(got)) return std::nullopt;

  Divergence divergence;
  divergence.at = i >= got.size()   ? seen.ended
                  : i < base.size() ? got[i].DiffersAt(base[i])
                                    : got[i].at;
  const bool extra = i >= base.size() || (i < got.size() && base[i].errors != got[i].errors);
  divergence.what = extra ? "printed one more line" : "printed something else";
  if (i >= got.size()) divergence.what = kLineMissing;
  divergence.expected = i < base.size() ? SafeText(base[i].text) : "nothing more";
  divergence.got = i < got.size() ? SafeText(got[i].text) : EndingWords(seen);
  divergence.command = CommandsBefore(seen, divergence.at);
  return divergence;
}

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

std::optional<Divergence> CompareWords(const std::vector<OutputLine>& base,
                                       const std::vector<OutputLine>& got,
                                       const std::vector<Grown>& all, const Observations& of_base,
                                       const Observations& seen) {
  if (base.size() != got.size()) return std::nullopt;
  const bool same_values =
      std::all_of(all.begin(), all.end(), [](const Grown& grown) { return grown.same_value; });
  const bool at_once = PrintsAtOnce(base, of_base) && PrintsAtOnce(got, seen);
  // Whether the reply to the `number`-th command, or one from `first` on, says something else now.
  const auto another = [&](std::uint32_t first, std::uint32_t number) {
    for (const Said& said : seen.said)
      if (said.send.command >= first && said.send.command <= number &&
          std::any_of(all.begin(), all.end(), [&](const Grown& grown) {
            return !grown.same_value && said.send.bytes.find(grown.after) != Bytes::npos;
          }))
        return true;
    return false;
  };
  for (std::size_t i = 0; i < base.size(); ++i) {
    if (base[i].errors != got[i].errors) return std::nullopt;
    if (WordsOf(base[i].compared, all) == WordsOf(got[i].compared, all)) continue;
    const Instant at = got[i].DiffersAt(base[i]);
    std::uint32_t number = CommandsBefore(seen, at);
    // What is printed at the end only belongs to the command that it names.
    const std::uint32_t named = CommandNamed(base[i].text, seen);
    if (!at_once && !same_values && named == 0) continue;
    if (!at_once && named != 0) number = named;
    if (!same_values && another(at_once ? 1 : number, number)) continue;
    return Divergence{at, "printed something else", SafeText(base[i].text), SafeText(got[i].text),
                      number};
  }
  return std::nullopt;
}

}  // namespace trial
