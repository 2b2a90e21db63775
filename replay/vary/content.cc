// The factors that change the bytes themselves: case, extra, loss, rubbish, length, with.
#include <algorithm>
#include <charconv>
#include <random>

#include "capture/base/text.h"
#include "replay/part/cue.h"
#include "replay/vary/change.h"

namespace trial {
namespace {

using witness::Code;
using witness::OkStatus;
using witness::Result;
using witness::Status;

// The same commands and exit status, whatever is printed.
Expectation SameConduct() {
  Expectation expectation;
  expectation.same_output = false;
  return expectation;
}

// To end in time, without crashing.
Expectation ToCope() {
  Expectation expectation = SameConduct();
  expectation.same_commands = expectation.same_ending = false;
  return expectation;
}

std::optional<std::size_t> Number(const std::string& text) {
  std::size_t value = 0;
  const char* end = text.data() + text.size();
  const auto parsed = std::from_chars(text.data(), end, value);
  if (text.empty() || parsed.ec != std::errc() || parsed.ptr != end) return std::nullopt;
  return value;
}

// Reproducible on every machine: the standard fixes mt19937_64's sequence (its distributions are
// not fixed, so none is used).
std::mt19937_64 Draws(const VariationContext& context, std::uint32_t number) {
  return std::mt19937_64(context.seed * 0x9E3779B97F4A7C15ull + number);
}

bool Letter(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }

// The last line that says something, with its ending (if it has one): [from, end).
std::pair<std::size_t, std::size_t> LastLine(ByteView bytes) {
  const std::size_t last = bytes.find_last_not_of("\r\n");
  if (last == ByteView::npos) return {0, 0};
  std::size_t from = bytes.find_last_of("\r\n", last);
  from = from == ByteView::npos ? 0 : from + 1;
  return {from, last + 1 + EndingAt(bytes, last + 1)};
}

// The ending that this module's replies have, for lines that we make up.
Bytes UsualEnding(const Part& part) {
  for (const Rule& rule : part.rules)
    for (const Answer& answer : rule.answers) {
      const Bytes bytes = JoinPieces(answer.pieces);
      const std::size_t last = bytes.find_last_not_of("\r\n");
      if (IsText(bytes) && last != Bytes::npos && last + 1 < bytes.size())
        return bytes.substr(last + 1, EndingAt(bytes, last + 1));
    }
  return "";
}

// A line said unasked: the module's own if one is known, else one of the usual form (V.250
// extended information: "+NAME: value").
Bytes UnaskedLine(const Change& change) {
  if (!change.Value().empty()) {
    const auto text = witness::ParseEscapes(change.Value());
    if (text.ok()) return *text;
  }
  for (const Unasked& unasked : change.varied.part.unasked)
    if (!unasked.pieces.empty() && unasked.after_command) return JoinPieces(unasked.pieces);
  for (const Unasked& unasked : change.varied.part.unasked)
    if (!unasked.pieces.empty() && unasked.at > Duration::Zero()) return JoinPieces(unasked.pieces);
  return "+JOIN: 3" + UsualEnding(change.varied.part);
}

// When what is left over of a reply may come: before the next command, or nothing would be left
// over, but a line come unasked; and behind all that a subject still reads of the reply, if it
// waits before it goes on. None: the next command comes at once.
std::optional<Duration> LeftoverAfter(const Change& change, std::uint32_t number,
                                      std::size_t size) {
  constexpr Duration kLongQuiet = Duration::Milliseconds(40);
  constexpr Duration kRoom = Duration::Milliseconds(2);
  const auto quiet = change.context.quiet_behind.find(number);
  if (quiet == change.context.quiet_behind.end()) return kRoom;
  const Duration room = quiet->second - change.Crossing(size);
  if (room >= kLongQuiet) return std::min(quiet->second * 3 / 4, room - kRoom);
  // In the same breath: what is read of the reply and what is not, is then the subject's doing.
  if (!change.context.on_wire || room >= kRoom) return Duration::Zero();
  return std::nullopt;
}

// Lines with this text in it may be printed besides.
void Adds(const Bytes& text, Change& change) {
  const std::size_t first = text.find_first_not_of("\r\n");
  if (first == Bytes::npos) return;
  auto& added = change.varied.expectation.added;
  const Bytes bare = text.substr(first, text.find_last_not_of("\r\n") + 1 - first);
  if (std::find(added.begin(), added.end(), bare) == added.end()) added.push_back(bare);
}

}  // namespace

Status VaryCase(Change& change) {
  const std::string& level = change.variation.level;
  if (level != "lower" && level != "upper" && level != "swapped")
    return UnknownLevel(change.variation);
  ForEachSaid(change, [&](Answer& answer, std::uint32_t number) {
    if (!IsText(JoinPieces(answer.pieces))) {
      if (!answer.pieces.empty()) change.NoteReply("no text, left as recorded", number);
      return;
    }
    for (Piece& piece : answer.pieces)
      for (char& c : piece.bytes) {
        if (!Letter(c)) continue;
        const bool is_lower = c >= 'a';
        if (level == "swapped" || (level == "lower") != is_lower) c = static_cast<char>(c ^ 0x20);
      }
  });
  change.varied.expectation.ignore_case = true;
  return OkStatus();
}

Status VaryExtra(Change& change) {
  const std::string word = change.Word();
  Part& part = change.varied.part;
  if (word == "banner") {
    // A module that was still starting when it was asked first.
    Bytes text = "\r\nREADY" + UsualEnding(part);
    if (!change.Value().empty()) {
      const auto given = witness::ParseEscapes(change.Value());
      if (!given.ok()) return given.status().In(change.variation.Name());
      text = *given;
    }
    Unasked banner;
    banner.before_command = 1;
    banner.pieces = {{Duration::Zero(), text}};
    part.unasked.push_back(banner);
    Adds(text, change);
    return OkStatus();
  }
  if (word != "before" && word != "after" && word != "inside" && word != "leftover")
    return UnknownLevel(change.variation);
  const Duration apart = Duration::Milliseconds(5);
  const Bytes line = UnaskedLine(change);
  if (word != "leftover") Adds(line, change);
  ForEachAnswer(change, [&](Answer& answer, std::uint32_t number) {
    if (answer.pieces.empty()) return;
    const Bytes all = JoinPieces(answer.pieces);
    if (word == "before") {
      const Duration turnaround = answer.pieces[0].after;
      answer.pieces[0].after = apart;
      answer.pieces.insert(answer.pieces.begin(), {turnaround, line});
    } else if (word == "after") {
      answer.pieces.push_back({apart, line});
    } else if (word == "leftover") {
      const auto [from, end] = LastLine(all);
      if (end == from) return;
      const auto after = LeftoverAfter(change, number, end - from);
      if (!after) {
        change.NoteReply("nothing can be left over where the next command comes at once", number);
        return;
      }
      if (*after > Duration::Zero())
        answer.pieces.push_back({*after + change.Crossing(answer.pieces.back().bytes.size()),
                                 all.substr(from, end - from)});
      else
        answer.pieces.back().bytes += all.substr(from, end - from);
      Adds(all.substr(from, end - from), change);
    } else {
      // Between two lines of the reply.
      const auto [from, end] = LastLine(all);
      std::size_t place = from;
      while (place > 0 && (all[place - 1] == '\r' || all[place - 1] == '\n')) --place;
      if (place == 0) {
        change.NoteReply("one line only, nothing put inside", number);
        return;
      }
      place += EndingAt(all, place);
      Cut(change, answer, {place}, apart, false);
      std::size_t offset = 0;
      for (std::size_t i = 0; i < answer.pieces.size(); ++i) {
        if (offset == place) {
          answer.pieces.insert(answer.pieces.begin() + static_cast<std::ptrdiff_t>(i),
                               {apart, line});
          break;
        }
        offset += answer.pieces[i].bytes.size();
      }
    }
  });
  return OkStatus();
}

Status VaryLoss(Change& change) {
  const std::string word = change.Word();
  for (const char* known : {"drop", "flip", "double", "half", "none", "before"})
    if (word == known) {
      const auto place = change.Value().empty() ? std::nullopt : Number(change.Value());
      if (!change.Value().empty() && !place) return UnknownLevel(change.variation);
      // "before": the answers as they were before any of them was changed.
      std::vector<std::pair<std::uint32_t, Answer>> originals;
      for (const Rule& rule : change.varied.part.rules)
        for (const Answer& answer : rule.answers) originals.emplace_back(answer.turn, answer);
      ForEachSaid(change, [&](Answer& answer, std::uint32_t number) {
        const Bytes all = JoinPieces(answer.pieces);
        if (all.empty()) return;
        auto draws = Draws(change.context, number);
        const std::size_t at =
            std::min<std::size_t>(place.value_or(draws() % all.size()), all.size() - 1);
        if (word == "none") {
          answer.pieces.clear();
        } else if (word == "drop") {
          Replace(answer, {{at, 1, ""}});
        } else if (word == "double") {
          Replace(answer, {{at, 0, Bytes(1, all[at])}});
        } else if (word == "flip") {
          const char flipped = static_cast<char>(all[at] ^ (1 << (draws() % 7)));
          Replace(answer, {{at, 1, Bytes(1, flipped)}});
        } else if (word == "half") {
          const std::size_t keep = all.size() / 2;
          Replace(answer, {{keep, all.size() - keep, ""}});
        } else {
          if (number == kUnaskedOnly) return;  // nothing was answered before it
          const Answer* before = nullptr;
          std::uint32_t nearest = 0;
          for (const auto& [turn, original] : originals)
            if (turn < number && turn > nearest) {
              nearest = turn;
              before = &original;
            }
          if (before == nullptr) return;  // the first has none before it
          answer.pieces = before->pieces;
        }
      });
      change.varied.expectation = change.varied.expectation.With(ToCope());
      return OkStatus();
    }
  return UnknownLevel(change.variation);
}

Status VaryRubbish(Change& change) {
  const std::string word = change.Word();
  const auto count = change.Value().empty() ? std::nullopt : Number(change.Value());
  if (!change.Value().empty() && (!count || *count == 0 || *count > 4096))
    return UnknownLevel(change.variation);
  if (word != "noise" && word != "nul" && word != "ff" && word != "eighth")
    return UnknownLevel(change.variation);
  ForEachSaid(change, [&](Answer& answer, std::uint32_t number) {
    if (answer.pieces.empty()) return;
    if (word == "eighth") {
      // What a module with seven data bits and even parity looks like to one that takes eight: the
      // parity bit becomes the highest bit.
      for (Piece& piece : answer.pieces)
        for (char& c : piece.bytes) {
          const auto low = static_cast<unsigned>(c) & 0x7fu;
          c = static_cast<char>(low | (__builtin_parity(low) != 0 ? 0x80u : 0u));
        }
      return;
    }
    Bytes rubbish;
    auto draws = Draws(change.context, number);
    for (std::size_t i = 0; i < count.value_or(word == "noise" ? 6 : 1); ++i)
      rubbish += word == "nul"  ? '\0'
                 : word == "ff" ? '\xff'
                                : static_cast<char>(0x80u | (draws() & 0xffu));
    const Duration turnaround = answer.pieces[0].after;
    answer.pieces[0].after = Duration::Milliseconds(1);
    answer.pieces.insert(answer.pieces.begin(), {turnaround, rubbish});
  });
  change.varied.expectation = change.varied.expectation.With(ToCope());
  return OkStatus();
}

// Makes the line that ends at `end` longer by `by` bytes, so that it stays what it is: a whole
// number gets zeros in front, a fraction its last digit again and again, a text the letter x.
void Lengthen(const Bytes& all, std::size_t end, std::size_t by, Answer& answer,
              Expectation& expectation) {
  const auto digit = [&](std::size_t i) { return all[i] >= '0' && all[i] <= '9'; };
  std::size_t from = end;  // of the digits at the line's end
  while (from > 0 && digit(from - 1)) --from;
  const char before = from > 0 ? all[from - 1] : ' ';
  const bool whole_number = from < end && before != '.' && before != '_';
  if (whole_number) {
    Replace(answer, {{from, 0, Bytes(by, '0')}});
    const Bytes number = all.substr(from, end - from);
    expectation.grown.push_back({number, Bytes(by, '0') + number, true});
    return;
  }
  const Bytes more(by, from < end ? all[end - 1] : 'x');
  Replace(answer, {{end, 0, more}});
  const Bytes tail = all.substr(end - 6, 6);
  expectation.grown.push_back({tail, tail + more, false});
}

Status VaryLength(Change& change) {
  const auto wanted = Number(change.variation.level);
  if (!wanted || *wanted == 0 || *wanted > 65536) return UnknownLevel(change.variation);
  bool any = false;
  // What comes unasked only where that is named: it is no reply, and seldom long.
  const auto each = change.variation.reply == kUnaskedOnly ? ForEachSaid : ForEachAnswer;
  each(change, [&](Answer& answer, std::uint32_t number) {
    const Bytes all = JoinPieces(answer.pieces);
    if (all.empty() || all.size() > *wanted) return;
    // The longest line; a short word alone is a result code and has to stay what it is.
    std::size_t from = 0;
    std::size_t best_end = 0;
    std::size_t best = 0;
    for (std::size_t i = 0; i <= all.size(); ++i) {
      if (i < all.size() && all[i] != '\r' && all[i] != '\n') continue;
      if (i - from > best) {
        best = i - from;
        best_end = i;
      }
      from = i + 1;
    }
    if (!IsText(all) || best < 6) {
      change.NoteReply("no line that could be longer, left as recorded", number);
      return;
    }
    any = true;
    Lengthen(all, best_end, *wanted + 1 - all.size(), answer, change.varied.expectation);
  });
  if (any) change.varied.expectation = change.varied.expectation.With(SameConduct());
  return OkStatus();
}

Status VaryWith(Change& change) {
  if (change.variation.level != "other") return UnknownLevel(change.variation);
  if (change.context.with == nullptr)
    return {Code::kInvalidArgument, "with=other needs the other module's capture: --with FILE"};
  const Part& other = *change.context.with;
  for (Rule& rule : change.varied.part.rules) {
    const Rule* found = nullptr;
    for (const Rule& theirs : other.rules)
      if (CompiledCue(theirs.cue).Matches(rule.cue.text)) {
        found = &theirs;
        break;
      }
    if (found == nullptr)
      change.Note("the other module was never asked " + witness::SafeText(rule.cue.text));
    for (std::size_t i = 0; i < rule.answers.size(); ++i) {
      Answer& answer = rule.answers[i];
      if (change.variation.reply != 0 && answer.turn != change.variation.reply) continue;
      if (found != nullptr && !found->answers.empty())
        answer.pieces = found->answers[std::min(i, found->answers.size() - 1)].pieces;
      else if (other.unknown)
        answer.pieces = other.unknown->pieces;
      else
        answer.pieces.clear();
    }
  }
  if (change.variation.reply == 0) change.varied.part.unknown = other.unknown;
  change.varied.expectation = change.varied.expectation.With(SameConduct());
  return OkStatus();
}

}  // namespace trial
