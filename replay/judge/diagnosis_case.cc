#include "replay/judge/diagnosis_case.h"

#include <algorithm>

#include "capture/base/text.h"
#include "replay/part/cue.h"

namespace trial {

using witness::FormatDuration;
using witness::FormatInstant;
using witness::SafeText;

namespace {

// No CR and LF at all: whether two replies differ in their line endings only.
Bytes Bare(Bytes bytes) {
  std::erase_if(bytes, [](char c) { return c == '\r' || c == '\n'; });
  return bytes;
}

}  // namespace

Duration LongWait(const Observations& o) {
  constexpr Duration kIdle = Duration::Milliseconds(60);
  return o.virtual_time ? kIdle : kIdle + o.starved + WorstSend(o) * 2;
}

Reply ReplyTo(const Observations& o, std::size_t index) {
  Reply reply;
  for (const Said& said : o.said) {
    if (said.send.command != index + 1 || said.send.sort == SaidSort::kEcho) continue;
    if (reply.pieces == 0) reply.begin = said.sent;
    if (reply.pieces == 0) reply.first_due = said.send.due;
    if (reply.pieces == 1) reply.second = said.sent;
    reply.bytes += said.send.bytes;
    reply.last_due = said.send.due;
    reply.end = said.sent;
    ++reply.pieces;
  }
  return reply;
}

Bytes OwnReply(const Observations& o, std::size_t index) {
  Bytes bytes;
  for (const Said& said : o.said)
    if (said.send.command == index + 1 && said.send.sort != SaidSort::kEcho &&
        said.send.sort != SaidSort::kUnasked)
      bytes += said.send.bytes;
  return bytes;
}

Bytes WithoutEndings(ByteView bytes) {
  const std::size_t first = bytes.find_first_not_of("\r\n");
  if (first == ByteView::npos) return "";
  return Bytes(bytes.substr(first, bytes.find_last_not_of("\r\n") + 1 - first));
}

bool BrokeOrSlow(const TrialResult& trial) {
  return trial.verdict.kind == VerdictKind::kBroke || trial.verdict.kind == VerdictKind::kSlow;
}

bool OnlyTimes(const Case& c) {
  return !c.trial.combination.empty() &&
         std::all_of(c.trial.combination.begin(), c.trial.combination.end(),
                     [](const Variation& v) {
                       return v.factor == "split" || v.factor == "pace" || v.factor == "turnaround";
                     });
}

bool SameTextOtherEndings(const Bytes& a, const Bytes& b) { return a != b && Bare(a) == Bare(b); }

std::optional<std::size_t> Case::Culprit() const {
  const std::size_t count = std::min(base.commands.size(), seen.commands.size());
  if (!trial.verdict.divergence || seen.commands.empty()) return std::nullopt;
  std::size_t n = 0;
  while (n < seen.commands.size() && seen.commands[n].from < trial.verdict.divergence->at) ++n;
  if (n == 0) return std::nullopt;
  return std::min(n, std::max<std::size_t>(count, 1)) - 1;
}

const TrialResult* Case::Other(const std::string& name) const {
  for (const TrialResult& other : others)
    if (other.combination.size() == 1 && other.combination[0].Name() == name) return &other;
  return nullptr;
}

bool Case::ToCopeOnly() const {
  return !trial.expectation.same_commands && !trial.expectation.same_output;
}

std::optional<std::size_t> Case::ChangedReply() const {
  const std::size_t common = std::min(base.commands.size(), seen.commands.size());
  if (common == 0) return std::nullopt;
  for (std::size_t i = std::min(Culprit().value_or(0), common - 1) + 1; i > 0; --i)
    if (ReplyTo(seen, i - 1).bytes != ReplyTo(base, i - 1).bytes) return i - 1;
  return std::nullopt;
}

bool Case::Varies(const std::string& factor) const {
  return std::any_of(trial.combination.begin(), trial.combination.end(),
                     [&](const Variation& v) { return v.factor == factor; });
}

std::vector<OutputLine> Case::NewLines() const {
  std::vector<OutputLine> fresh;
  const auto before = judge.Lines(base);
  for (OutputLine& line : judge.Lines(seen))
    if (std::none_of(before.begin(), before.end(),
                     [&](const OutputLine& b) { return b.compared == line.compared; }))
      fresh.push_back(std::move(line));
  return fresh;
}

// How many bytes the module was going to say to command `index`.
std::size_t PlannedSize(const TrialResult& trial, std::size_t index) {
  const TakenCommand& command = trial.observations.commands[index];
  const Part& part = trial.played;
  const auto size = [](const Answer& answer) { return JoinPieces(answer.pieces).size(); };
  if (command.rule < 0 || command.rule >= static_cast<int>(part.rules.size()))
    return part.unknown ? size(*part.unknown) : 0;
  for (const Answer& answer : part.rules[static_cast<std::size_t>(command.rule)].answers)
    if (answer.turn == command.turn) return size(answer);
  return 0;
}

std::string CommandWords(const Observations& o, std::size_t index) {
  return "command " + std::to_string(index + 1) + " (" +
         SafeText(WithoutEnding(o.commands[index].bytes)) + ")";
}

// A measured wait is a little off the timeout behind it: near a round figure, that one is meant.
std::string AboutWords(Duration wait) {
  for (const std::int64_t step : {1000, 500, 100, 50}) {
    const Duration unit = Duration::Milliseconds(step);
    const Duration round = unit * ((wait.ns() + unit.ns() / 2) / unit.ns());
    const Duration off = wait > round ? wait - round : round - wait;
    if (off <= wait * 4 / 100) return FormatDuration(round);
  }
  return FormatDuration(wait);
}

std::string At(Instant t) { return "at " + FormatInstant(t) + " s"; }

}  // namespace trial
