#include "replay/judge/clock_lines.h"

#include <algorithm>
#include <cmath>

namespace trial {
namespace {

// A sketch that looks at its clock in a loop is a little late now and then.
constexpr Duration kSameMoment = Duration::Milliseconds(2);

bool Digit(char c) { return c >= '0' && c <= '9'; }

// "alive 12 of 20" -> "alive # of #", {"12", "20"}. A number in a word ("sedge2") is one, too.
struct Split {
  Bytes words;
  std::vector<Bytes> numbers;
};
Split SplitNumbers(const Bytes& text) {
  Split split;
  for (std::size_t i = 0; i < text.size();) {
    if (!Digit(text[i])) {
      split.words += text[i++];
      continue;
    }
    split.words += '#';
    Bytes& number = split.numbers.emplace_back();
    while (i < text.size() && Digit(text[i])) number += text[i++];
  }
  return split;
}

bool Less(const Bytes& a, const Bytes& b) {
  const auto from = [](const Bytes& n) { return std::min(n.find_first_not_of('0'), n.size()); };
  const ByteView x = ByteView(a).substr(from(a));
  const ByteView y = ByteView(b).substr(from(b));
  return x.size() != y.size() ? x.size() < y.size() : x < y;
}

// When the last reply had been given; never: none was.
Instant Answered(const Observations& seen) {
  Instant last = Instant::Never();
  for (const Said& said : seen.said)
    if (said.send.command != 0 && said.send.sort != SaidSort::kEcho)
      last = last.never() ? said.sent : std::max(last, said.sent);
  return last;
}

using Lines = std::vector<const OutputLine*>;

std::map<Bytes, Lines> BySort(const std::vector<OutputLine>& lines) {
  std::map<Bytes, Lines> sorts;
  for (const OutputLine& line : lines) sorts[SplitNumbers(line.compared).words].push_back(&line);
  return sorts;
}

// Three or more behind `from`, at even intervals.
bool Ticking(const Lines& lines, Instant from) {
  std::vector<Instant> times;
  for (const OutputLine* line : lines)
    if (line->at > from) times.push_back(line->at);
  if (times.size() < 3) return false;
  const Duration step = times[1] - times[0];
  for (std::size_t i = 1; i < times.size(); ++i) {
    const Duration other = times[i] - times[i - 1];
    if (std::abs((other - step).ns()) > std::max(kSameMoment, step / 50).ns()) return false;
  }
  return true;
}

Bytes Joined(const std::vector<Bytes>& numbers, const std::vector<bool>& left_out) {
  Bytes all;
  for (std::size_t i = 0; i < numbers.size(); ++i)
    if (!left_out[i]) all += numbers[i] + ' ';
  return all;
}

}  // namespace

ClockLines::ClockLines(const Observations& first, const Observations& later,
                       const std::vector<OutputLine>& later_lines) {
  if (Answered(first).never() || Answered(later).never()) return;
  const Instant quiet = Answered(later) + Duration::Milliseconds(500);
  for (const auto& [words, lines] : BySort(later_lines)) {
    if (!Ticking(lines, quiet)) continue;
    std::vector<std::vector<Bytes>> numbers;
    for (const OutputLine* line : lines) numbers.push_back(SplitNumbers(line->compared).numbers);
    Sort sort;
    sort.counts.assign(numbers[0].size(), numbers.size() > 1);
    for (std::size_t k = 0; k < sort.counts.size(); ++k)
      for (std::size_t i = 1; i < numbers.size(); ++i)
        if (!Less(numbers[i - 1][k], numbers[i][k])) sort.counts[k] = false;
    for (const auto& one : numbers) sort.seen.insert(Joined(one, sort.counts));
    sorts_.emplace(words, std::move(sort));
  }
}

bool ClockLines::Has(const OutputLine& line) const {
  const Split split = SplitNumbers(line.compared);
  const auto sort = sorts_.find(split.words);
  return sort != sorts_.end() && split.numbers.size() == sort->second.counts.size() &&
         sort->second.seen.count(Joined(split.numbers, sort->second.counts)) != 0;
}

bool OnlyStampsGrew(const std::vector<OutputLine>& first, const std::vector<OutputLine>& later) {
  if (first.size() != later.size()) return false;
  for (std::size_t i = 0; i < first.size(); ++i) {
    const Split a = SplitNumbers(first[i].compared);
    const Split b = SplitNumbers(later[i].compared);
    if (a.words != b.words || first[i].errors != later[i].errors) return false;
    for (std::size_t k = 0; k < a.numbers.size(); ++k)
      if (a.numbers[k] != b.numbers[k] && !Less(a.numbers[k], b.numbers[k])) return false;
  }
  return true;
}

std::vector<OutputLine> ClockLines::Without(const std::vector<OutputLine>& lines) const {
  if (empty()) return lines;
  std::vector<OutputLine> rest;
  for (const OutputLine& line : lines)
    if (!Has(line)) rest.push_back(line);
  return rest;
}

}  // namespace trial
