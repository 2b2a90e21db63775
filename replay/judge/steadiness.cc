#include "replay/judge/steadiness.h"

#include <re2/re2.h>

#include <algorithm>
#include <map>

namespace trial {
namespace {

Bytes Lowered(Bytes text) {
  for (char& c : text)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c | 0x20);
  return text;
}

std::vector<Bytes> WordsOf(const Bytes& text) {
  std::vector<Bytes> words(1);
  for (const char c : text) {
    if (c == ' ')
      words.emplace_back();
    else
      words.back() += c;
  }
  return words;
}

// Line endings written as escapes or in hexadecimal, as a program does that shows all it got.
Bytes WithoutWrittenEndings(Bytes text) {
  static const RE2 written("\\\\r|\\\\n|(\\\\x|0x|\\b)0[dDaA]\\b[ :,]?", RE2::Latin1);
  RE2::GlobalReplace(&text, written, "");
  return text;
}

// A line ending that a program shows as a blank, or not at all, is no other text.
Bytes WithoutSpaces(Bytes text) {
  std::erase(text, ' ');
  return text;
}

bool ShowsEndings(const Bytes& text) { return WithoutWrittenEndings(text) != text; }

}  // namespace

bool Steadiness::Alike(const Observations& first, const std::vector<OutputLine>& first_lines,
                       const Observations& second, const std::vector<OutputLine>& second_lines) {
  return first.commands.size() == second.commands.size() &&
         first_lines.size() == second_lines.size() && first.ending == second.ending &&
         first.exit_status == second.exit_status;
}

Steadiness::Steadiness(const Observations& first, const std::vector<OutputLine>& first_lines,
                       const Observations& second, const std::vector<OutputLine>& second_lines) {
  for (std::size_t i = 0; i < std::min(first.commands.size(), second.commands.size()); ++i)
    commands_.push_back(first.commands[i].bytes != second.commands[i].bytes);
  for (std::size_t i = 0; i < std::min(first_lines.size(), second_lines.size()); ++i) {
    const auto a = WordsOf(first_lines[i].compared);
    const auto b = WordsOf(second_lines[i].compared);
    Line line;
    line.whole = a.size() != b.size();
    for (std::size_t k = 0; k < a.size() && !line.whole; ++k) line.words.push_back(a[k] != b[k]);
    lines_.push_back(std::move(line));
  }
}

bool Steadiness::Loose(const std::vector<Bytes>& values, std::vector<bool>& slipped) {
  std::map<Bytes, std::size_t> counts;
  for (const Bytes& value : values) ++counts[value];
  if (counts.size() == 1) return false;
  const auto most =
      std::max_element(counts.begin(), counts.end(),
                       [](const auto& a, const auto& b) { return a.second < b.second; });
  // A counter or a time is another one each time.
  if (values.size() >= 3 && most->second == 1) return true;
  if (values.size() < 5) sure_ = false;
  if (values.size() < 5 || most->second + 1 < values.size()) return true;
  for (std::size_t i = 0; i < values.size(); ++i)
    if (values[i] != most->first) slipped[i] = true;
  return false;
}

Steadiness::Steadiness(const std::vector<Run>& runs) {
  std::vector<bool> slipped(runs.size(), false);
  std::vector<Bytes> values(runs.size());
  for (std::size_t i = 0; i < runs[0].seen->commands.size(); ++i) {
    for (std::size_t r = 0; r < runs.size(); ++r) values[r] = runs[r].seen->commands[i].bytes;
    commands_.push_back(Loose(values, slipped));
  }
  for (std::size_t i = 0; i < runs[0].lines.size(); ++i) {
    std::vector<std::vector<Bytes>> words;
    for (const Run& run : runs) words.push_back(WordsOf(run.lines[i].compared));
    const bool as_many = std::all_of(words.begin(), words.end(),
                                     [&](const auto& w) { return w.size() == words[0].size(); });
    Line line;
    if (!as_many) {
      for (std::size_t r = 0; r < runs.size(); ++r) values[r] = runs[r].lines[i].compared;
      line.whole = Loose(values, slipped);
    }
    for (std::size_t k = 0; as_many && k < words[0].size(); ++k) {
      for (std::size_t r = 0; r < runs.size(); ++r) values[r] = words[r][k];
      line.words.push_back(Loose(values, slipped));
    }
    lines_.push_back(std::move(line));
  }
  const auto usual = std::find(slipped.begin(), slipped.end(), false);
  if (usual != slipped.end()) usual_ = static_cast<std::size_t>(usual - slipped.begin());
}

Steadiness Steadiness::ByTheClock(const Observations& first,
                                  const std::vector<OutputLine>& first_lines,
                                  const Observations& later,
                                  const std::vector<OutputLine>& later_lines) {
  const ClockLines clock(first, later, later_lines);
  const auto a = clock.Without(first_lines);
  auto b = clock.Without(later_lines);
  const Instant end = first.ended + kALittleLater * std::ssize(first.commands);
  std::erase_if(b, [end](const OutputLine& line) { return line.at > end; });
  Steadiness steadiness;
  if (Alike(first, a, later, b) && OnlyStampsGrew(a, b))
    steadiness = Steadiness(first, a, later, b);
  steadiness.clock_ = clock;
  return steadiness;
}

bool Steadiness::LooseCommand(std::size_t index) const {
  return index < commands_.size() && commands_[index];
}

bool Steadiness::SameLine(std::size_t index, const OutputLine& line, const OutputLine& got,
                          bool ignore_case) const {
  if (line.errors != got.errors) return false;
  Bytes expected = line.compared;
  Bytes given = got.compared;
  if (ShowsEndings(expected)) {
    expected = WithoutWrittenEndings(expected);
    given = WithoutWrittenEndings(given);
  }
  if (ignore_case) {
    expected = Lowered(expected);
    given = Lowered(given);
  }
  if (WithoutSpaces(expected) == WithoutSpaces(given)) return true;
  if (index >= lines_.size()) return false;
  if (lines_[index].whole) return true;
  const auto a = WordsOf(expected);
  const auto b = WordsOf(given);
  if (a.size() != b.size() || a.size() != lines_[index].words.size()) return false;
  for (std::size_t k = 0; k < a.size(); ++k)
    if (a[k] != b[k] && !lines_[index].words[k]) return false;
  return true;
}

std::string Steadiness::Words() const {
  const auto commands = std::count(commands_.begin(), commands_.end(), true);
  const auto lines = std::count_if(lines_.begin(), lines_.end(), [](const Line& line) {
    return line.whole || std::find(line.words.begin(), line.words.end(), true) != line.words.end();
  });
  const auto counted = [](std::ptrdiff_t n, const char* one) {
    return std::to_string(n) + " " + one + (n == 1 ? "" : "s");
  };
  std::string words;
  if (commands > 0) words = counted(commands, "command");
  if (lines > 0) words += (words.empty() ? "" : " and ") + counted(lines, "printed line");
  if (!words.empty()) words = "differs from run to run in " + words + ": not compared there";
  if (!clock_.empty())
    words += std::string(words.empty() ? "" : "; ") + "prints lines by the clock: not compared";
  return words;
}

}  // namespace trial
