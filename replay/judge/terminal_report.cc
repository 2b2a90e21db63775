// The table of trials and the failures, for a terminal.
#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/report.h"

namespace trial {
namespace {

using bytewitness::TrialReport;
using witness::FormatDuration;
using witness::SafeName;

Duration Ns(std::uint64_t ns) { return Duration::Nanoseconds(static_cast<std::int64_t>(ns)); }

// Columns a terminal needs for it: our texts are ASCII, names may be UTF-8.
std::size_t Width(const std::string& text) {
  return static_cast<std::size_t>(
      std::count_if(text.begin(), text.end(), [](char c) { return (c & 0xC0) != 0x80; }));
}

std::string Padded(std::string text, std::size_t width) {
  const std::size_t have = Width(text);
  if (have < width) text.append(width - have, ' ');
  return text;
}

std::string Coloured(const std::string& text, TrialReport::Verdict verdict, bool colour) {
  if (!colour) return text;
  // Blue, vermilion, orange and grey: told apart by the colour-blind, and the word says it anyway.
  const char* code = verdict == TrialReport::VERDICT_HELD    ? "38;5;32"
                     : verdict == TrialReport::VERDICT_BROKE ? "1;38;5;166"
                     : verdict == TrialReport::VERDICT_SLOW  ? "38;5;214"
                                                             : "38;5;245";
  return std::string("\033[") + code + "m" + text + "\033[0m";
}

const char* Word(TrialReport::Verdict verdict) {
  return VerdictName(static_cast<VerdictKind>(verdict));
}

std::string Line(const TrialReport::Trial& trial, const std::string& number, std::size_t name_width,
                 bool colour) {
  std::string note = trial.why();
  if (trial.unchanged() && !trial.variation().empty())
    note += std::string(note.empty() ? "" : "; ") + "changes nothing here";
  if (!trial.note().empty()) note += (note.empty() ? "" : "; ") + trial.note();
  std::string verdict = Padded(Word(trial.verdict()), 10);
  std::string line = Padded(number, 5) + Padded(SafeName(trial.name()), name_width) + "  " +
                     Coloured(verdict, trial.verdict(), colour) + "  " +
                     Padded(FormatDuration(Ns(trial.took_ns())), 8);
  if (!note.empty()) line += "  " + SafeName(note);
  return line + "\n";
}

void Failure(const TrialReport::Trial& trial, std::string& out, bool colour) {
  const std::size_t began = out.size();
  out += "\n" + Coloured(Word(trial.verdict()), trial.verdict(), colour) + "  " +
         SafeName(trial.name()) + "\n";
  const auto row = [&](const char* label, const std::string& text) {
    out += "  " + Padded(label, 14) + SafeName(text) + "\n";
  };
  if (trial.has_divergence()) {
    const auto& d = trial.divergence();
    std::string where =
        "at " +
        witness::FormatInstant(Instant::FromNanoseconds(static_cast<std::int64_t>(d.at_ns()))) +
        " s";
    if (d.command() != 0) {
      where += ", after command " + std::to_string(d.command());
      const auto& commands = trial.observations().command();
      if (static_cast<int>(d.command()) <= commands.size())
        where +=
            " " + witness::SafeTextWithEnding(commands[static_cast<int>(d.command()) - 1].bytes());
    }
    row("first", d.what() + " " + where);
    row("expected", d.expected());
    row("got", d.got());
    // What it was given just before.
    std::string given;
    for (const auto& said : trial.observations().said())
      if (said.command() == d.command() && d.command() != 0) given += said.bytes();
    if (!given.empty()) row("it was given", witness::SafeTextWithEnding(given));
  } else {
    row("why", trial.why());
  }
  if (trial.diagnosis().empty()) row("diagnosis", "not known");
  for (const auto& diagnosis : trial.diagnosis()) {
    row("diagnosis", diagnosis.words());
    for (const auto& evidence : diagnosis.evidence()) row("", "- " + evidence);
  }
  const char* label = "inside";
  for (const std::string& inside : trial.inside()) {
    if (out.find(inside, began) != std::string::npos) continue;  // told already
    row(label, inside);
    label = "";
  }
  if (!trial.smallest().empty()) {
    std::string smallest;
    for (const auto& variation : trial.smallest())
      smallest += (smallest.empty() ? "" : " ") + variation;
    for (const std::string& step : trial.shrinking())
      if (step.starts_with("breaks from ")) smallest += " (" + step + ")";
    row("smallest", smallest);
  }
  if (!trial.plan().empty()) row("plan", "bytetrial run " + trial.plan());
  if (!trial.kept().empty()) row("kept", trial.kept());
  if (!trial.reproduce().empty()) row("again", trial.reproduce());
}

}  // namespace

std::string TerminalReport(const TrialReport& report, bool colour) {
  if (!report.hearing().empty()) {
    std::string out;
    std::string sums = "All hearings:\n";
    for (const TrialReport& hearing : report.hearing()) {
      out += TerminalReport(hearing, colour) + "\n";
      int held = 0;
      for (const auto& trial : hearing.trial())
        held += trial.verdict() == TrialReport::VERDICT_HELD ? 1 : 0;
      sums += "  " + SafeName(hearing.subject()) + " against " + SafeName(hearing.capture()) + ": ";
      if (hearing.baseline().verdict() != TrialReport::VERDICT_HELD)
        sums += "no contest: " + SafeName(hearing.baseline().why()) + "\n";
      else
        sums += std::to_string(held) + " of " + std::to_string(hearing.trial_size()) + " held\n";
    }
    return out + sums;
  }
  std::string out = "Trials of " + SafeName(report.subject()) + "\nagainst " +
                    SafeName(report.capture()) + "; answers " + SafeName(report.following()) +
                    "\n\n";
  std::size_t width = 16;
  for (const auto& trial : report.trial()) width = std::max(width, Width(SafeName(trial.name())));
  width = std::min<std::size_t>(width, 60);
  out += Padded("", 5) + Padded("variation", width) + "  " + Padded("verdict", 10) + "  time\n";
  out += Line(report.baseline(), "", width, colour);
  int counts[5] = {};
  for (const auto& trial : report.trial()) {
    out += Line(trial, std::to_string(trial.index() + 1), width, colour);
    ++counts[std::clamp<int>(trial.verdict(), 0, 4)];
  }
  if (report.baseline().verdict() != TrialReport::VERDICT_HELD)
    Failure(report.baseline(), out, colour);
  for (const auto& trial : report.trial())
    if (trial.verdict() != TrialReport::VERDICT_HELD) Failure(trial, out, colour);
  if (report.interrupted())
    out += "\nInterrupted: what follows is what was done by then, of " +
           std::to_string(report.trials_planned()) + " trials.";
  const bool fit = report.baseline().verdict() == TrialReport::VERDICT_HELD;
  if (!fit && report.trial_size() == 0)
    return out +
           "\nNo trial took place: the replies as recorded come first, and with them it is no "
           "contest\n";
  out += "\n" + std::to_string(report.trial_size()) + " trials";
  if (report.shards() > 1)
    out += " (shard " + std::to_string(report.shard() + 1) + " of " +
           std::to_string(report.shards()) + ", " + std::to_string(report.trials_planned()) +
           " in all)";
  out += ": " + std::to_string(counts[TrialReport::VERDICT_HELD]) + " held, " +
         std::to_string(counts[TrialReport::VERDICT_BROKE]) + " broke, " +
         std::to_string(counts[TrialReport::VERDICT_SLOW]) + " slow, " +
         std::to_string(counts[TrialReport::VERDICT_NO_CONTEST]) + " no contest\n";
  if (report.baseline().observations().virtual_time())
    out += "Virtual time: repeated, it is the same to the cycle\n";
  else if (report.timing().sends() > 0)
    out += "Our " + std::to_string(report.timing().sends()) + " sends were late by " +
           FormatDuration(Ns(report.timing().p50_ns())) + " (median), " +
           FormatDuration(Ns(report.timing().p99_ns())) + " (99 %), " +
           FormatDuration(Ns(report.timing().max_ns())) + " (at most)\n";
  return out;
}

}  // namespace trial
