#include "replay/vary/variation.h"

#include <algorithm>
#include <charconv>
#include <set>

#include "capture/base/text.h"
#include "replay/vary/change.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

// One line a factor, in the order in which they are put on.
struct Row {
  Factor factor;
  Status (*apply)(Change& change);
};

Factor WithUnasked(Factor factor) {
  factor.unasked = true;
  return factor;
}

const std::vector<Row>& Rows() {
  static const std::vector<Row> rows = {
      {{"with", "recorded, other (the replies of the capture given by --with)", {"other"}, false},
       VaryWith},
      {WithUnasked({"case", "recorded, lower, upper, swapped", {"lower", "upper"}, false}),
       VaryCase},
      {WithUnasked({"length",
                    "recorded or a number: replies longer than so many bytes",
                    {"64", "128", "256"},
                    false}),
       VaryLength},
      {WithUnasked(
           {"loss",
            "recorded, drop, flip, double (:PLACE), half, none, before (the reply to the command "
            "before)",
            {"drop", "flip", "double", "half", "none", "before"},
            false}),
       VaryLoss},
      {WithUnasked({"ending",
                    "recorded, none, bare, spaces, cr, lf, crlf",
                    {"none", "bare", "cr", "lf", "crlf"},
                    true}),
       VaryEnding},
      {{"extra",
        "recorded, banner, before, after, inside (each :TEXT), leftover",
        {"banner", "before", "after", "inside", "leftover"},
        false},
       VaryExtra},
      {WithUnasked({"rubbish",
                    "recorded, noise, nul, ff (each :COUNT), eighth",
                    {"noise", "nul", "ff", "eighth"},
                    false}),
       VaryRubbish},
      {WithUnasked({"split",
                    "recorded, whole, bytes, lines, ending, each, or the size of the first piece "
                    "(each :PAUSE)",
                    {"whole", "lines", "ending", "bytes"},
                    true}),
       VarySplit},
      {WithUnasked({"pace",
                    "recorded, burst, line:BAUD, slow:TIMES, pause:LENGTH",
                    {"burst", "line:9600", "slow:3", "pause:50ms"},
                    true}),
       VaryPace},
      {WithUnasked({"turnaround",
                    "recorded or a length of time: 0s, 250ms; next (still coming when the next "
                    "command is due)",
                    {"0s", "250ms"},
                    true}),
       VaryTurnaround},
      {{"echo",
        "recorded, off, characters, whole, late:LENGTH",
        {"off", "characters", "whole", "late:50ms"},
        false},
       VaryEcho},
      {{"rate",
        "recorded or by how much the sender's rate is off: +3%, -2%",
        {"-4%", "-3%", "-2%", "-1%", "+1%", "+2%", "+3%", "+4%"},
        false,
        true},
       VaryRate},
      {{"jitter", "recorded or how far edges move, of a bit: 10%", {"10%", "20%"}, false, true},
       VaryJitter},
      {{"stop",
        "recorded or the length of the stop bit, in bits: 0.5",
        {"0.8", "0.5"},
        false,
        true},
       VaryStop},
      {{"glitch",
        "recorded or the width of a false start bit, of a bit: 30% (:EVERY so many bytes)",
        {"10%", "30%"},
        false,
        true},
       VaryGlitch},
      {{"break", "recorded, before (each reply)", {"before"}, false, true}, VaryBreak},
  };
  return rows;
}

}  // namespace

std::string Variation::Name() const {
  std::string name = factor + "=" + level;
  if (reply == kUnaskedOnly) return name + "@unasked";
  return reply == 0 ? name : name + "@" + std::to_string(reply);
}

Expectation Expectation::With(const Expectation& other) const {
  Expectation both = *this;
  both.same_commands = same_commands && other.same_commands;
  both.same_output = same_output && other.same_output;
  both.ignore_case = ignore_case || other.ignore_case;
  both.same_ending = same_ending && other.same_ending;
  both.grown.insert(both.grown.end(), other.grown.begin(), other.grown.end());
  both.added.insert(both.added.end(), other.added.begin(), other.added.end());
  both.echoed = echoed || other.echoed;
  both.other_endings = other_endings || other.other_endings;
  return both;
}

const std::vector<Factor>& Factors() {
  static const std::vector<Factor> factors = [] {
    std::vector<Factor> all;
    for (const Row& row : Rows()) all.push_back(row.factor);
    return all;
  }();
  return factors;
}

Result<Variation> ParseVariation(std::string_view text) {
  const auto wrong = [&](const std::string& what) {
    return Status(Code::kInvalidArgument, "'" + witness::SafeName(text) + "': " + what);
  };
  const auto equals = text.find('=');
  if (equals == std::string_view::npos || equals == 0 || equals + 1 == text.size())
    return wrong("a variation is written FACTOR=LEVEL, as in ending=none");
  Variation variation;
  variation.factor = text.substr(0, equals);
  std::string_view level = text.substr(equals + 1);
  // "@N" at the very end; a text behind ':' may hold other @s.
  const auto at = level.rfind('@');
  if (at != std::string_view::npos) {
    const std::string_view number = level.substr(at + 1);
    const auto parsed =
        std::from_chars(number.data(), number.data() + number.size(), variation.reply);
    if (number == "unasked") {
      variation.reply = kUnaskedOnly;
      level = level.substr(0, at);
    } else if (parsed.ec == std::errc() && parsed.ptr == number.data() + number.size()) {
      if (variation.reply == 0 || variation.reply == kUnaskedOnly)
        return wrong("replies are counted from 1");
      level = level.substr(0, at);
    }
  }
  variation.level = level;
  const auto& rows = Rows();
  const auto row = std::find_if(rows.begin(), rows.end(),
                                [&](const Row& r) { return r.factor.name == variation.factor; });
  if (row == rows.end()) {
    std::string names;
    for (const Row& r : rows) names += (names.empty() ? "" : ", ") + r.factor.name;
    return wrong("there is no such factor; there are " + names);
  }
  if (variation.reply == kUnaskedOnly && !row->factor.unasked) {
    std::string names;
    for (const Row& r : rows)
      if (r.factor.unasked) names += (names.empty() ? "" : ", ") + r.factor.name;
    return wrong("what is said unasked can be varied by " + names);
  }
  if (variation.Plain()) return variation;
  // A level is known if it can be put on.
  Varied varied;
  const Part other;
  VariationContext context;
  context.with = &other;
  Change change{variation, context, varied};
  // "each" is for plans: one variation for each place.
  const bool each = variation.factor == "split" && change.Word() == "each";
  const Status status = each ? PauseOf(change, Duration::Zero()).status() : row->apply(change);
  if (!status.ok()) return status;
  return variation;
}

Result<Varied> Vary(const Part& part, const std::vector<Variation>& variations,
                    const VariationContext& context) {
  Varied varied;
  varied.part = part;
  std::set<std::string> known;
  for (const Row& row : Rows()) {
    known.insert(row.factor.name);
    for (const Variation& variation : variations) {
      if (variation.factor != row.factor.name || variation.Plain()) continue;
      Change change{variation, context, varied};
      if (Status status = row.apply(change); !status.ok()) return status;
    }
  }
  for (const Variation& variation : variations)
    if (!known.contains(variation.factor))
      return Status(Code::kInvalidArgument, variation.Name() + ": there is no such factor");
  varied.changed = varied.part != part;
  return varied;
}

Part NumberReplies(Part part) {
  std::set<std::uint32_t> taken;
  for (const Rule& rule : part.rules)
    for (const Answer& answer : rule.answers)
      if (answer.turn != 0) taken.insert(answer.turn);
  std::uint32_t next = 1;
  for (Rule& rule : part.rules)
    for (Answer& answer : rule.answers) {
      if (answer.turn != 0) continue;
      while (taken.contains(next)) ++next;
      answer.turn = next++;
    }
  return part;
}

}  // namespace trial
