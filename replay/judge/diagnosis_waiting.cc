// Rules about when a subject reads, and for how long.
#include <algorithm>
#include <cmath>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"

namespace trial {

using witness::FormatDuration;
using witness::FormatInstant;
using witness::SafeText;
using witness::SafeTextWithEnding;

namespace {

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

// What the waits tell of the timeout: the shortest of them, if the others are so long once, twice
// or more times; else from where to where they reach.
std::string TimeoutWords(const std::vector<Duration>& waits) {
  const auto [shortest, longest] = std::minmax_element(waits.begin(), waits.end());
  const Duration unit = *shortest;
  std::int64_t most_times = 1;
  for (const Duration wait : waits) {
    const std::int64_t times = std::lround(wait.milliseconds() / unit.milliseconds());
    const Duration off = wait > unit * times ? wait - unit * times : unit * times - wait;
    if (times > 3 || off > unit / 8)
      return "timeouts of " + FormatDuration(*shortest) + " to " + FormatDuration(*longest);
    most_times = std::max(most_times, times);
  }
  std::string words = "a timeout of " + AboutWords(unit);
  if (most_times > 1) words += ", up to " + std::to_string(most_times) + " times";
  const auto seconds = static_cast<std::int64_t>(std::lround(unit.milliseconds() / 1000));
  // Stream.h of Debian's arduino-core-avr: _timeout=1000.
  const bool near = unit >= Duration::Milliseconds(960) * seconds &&
                    unit <= Duration::Milliseconds(1040) * seconds + Duration::Milliseconds(60);
  if (seconds == 1 && near)
    words += " (1000 ms is the default of the common core's Stream)";
  else if (seconds > 1 && seconds <= 10 && near)
    words +=
        ", or " + std::to_string(seconds) + " of 1000 ms, the default of the common core's Stream";
  return words;
}

// Which byte a reader that stops at the end of a line waits for, from what held and what did not.
std::string AwaitedEnding(const Case& c, ByteView reply) {
  if (reply.ends_with('\r')) return "LF";
  if (reply.ends_with('\n')) return "CR LF or CR";
  const TrialResult* cr = c.Other("ending=cr");
  const TrialResult* lf = c.Other("ending=lf");
  if (cr != nullptr && lf != nullptr) {
    if (BrokeOrSlow(*cr) && !BrokeOrSlow(*lf)) return "LF";
    if (!BrokeOrSlow(*cr) && BrokeOrSlow(*lf)) return "CR";
    if (BrokeOrSlow(*cr) && BrokeOrSlow(*lf)) return "CR LF";
    return "CR or LF";
  }
  return "a line ending";
}

// Replies that a trial waited behind although the baseline did not.
struct Waits {
  std::vector<Duration> after;
  std::vector<Duration> more;      // than in the baseline: without the pauses that it always makes
  std::vector<std::size_t> where;  // commands, from 0; those whose reply has other line endings
  std::size_t elsewhere = 0;       // behind replies that were as recorded
};

Waits WaitsOf(const Case& c) {
  Waits waits;
  const std::size_t count = std::min(c.base.commands.size(), c.seen.commands.size());
  for (std::size_t i = 0; i < count; ++i) {
    const Reply then = ReplyTo(c.base, i);
    const Reply now = ReplyTo(c.seen, i);
    if (now.bytes.empty() || then.bytes.empty()) continue;
    const bool last_of_all = i + 1 == c.seen.commands.size();
    if (last_of_all && c.seen.ending == SubjectEnding::kOutOfTime) continue;
    const Duration longer = WaitBehind(c.seen, i) - WaitBehind(c.base, i);
    if (longer < LongWait(c.seen)) continue;
    if (!SameTextOtherEndings(now.bytes, then.bytes)) {
      ++waits.elsewhere;
      continue;
    }
    waits.after.push_back(WaitBehind(c.seen, i));
    waits.more.push_back(longer);
    waits.where.push_back(i);
  }
  return waits;
}

void AddWaits(const Case& c, const Waits& waits, Diagnosis& d) {
  for (std::size_t k = 0; k < waits.where.size() && k < 4; ++k)
    d.evidence.push_back("reply to " + CommandWords(c.seen, waits.where[k]) + " was " +
                         SafeTextWithEnding(ReplyTo(c.seen, waits.where[k]).bytes) + "; on after " +
                         FormatDuration(waits.after[k]) + ", in the baseline after " +
                         FormatDuration(WaitBehind(c.base, waits.where[k])));
}

}  // namespace

// Waits for the rest of any reply that is shorter, and not if blanks make up for its line endings.
std::optional<Diagnosis> ReadsFixedCount(const Case& c) {
  const TrialResult* filled = c.Other("ending=spaces");
  if (filled == nullptr || !c.Varies("ending")) return std::nullopt;
  const Waits waits = WaitsOf(c);
  if (waits.after.empty() || waits.elsewhere > 0) return std::nullopt;
  const Observations& other = filled->observations;
  if (other.ending != c.base.ending) return std::nullopt;
  for (const std::size_t i : waits.where) {
    if (ReplyTo(c.seen, i).bytes.size() >= ReplyTo(c.base, i).bytes.size()) return std::nullopt;
    if (i >= other.commands.size() ||
        WaitBehind(other, i) - WaitBehind(c.base, i) >= LongWait(other))
      return std::nullopt;
  }
  Diagnosis d;
  d.name = "reads-fixed-count";
  d.words = "waited " + FormatDuration(waits.after[waits.after.size() / 2]) +
            " after each reply that is shorter than the recorded one, then went on: it reads a "
            "fixed number of bytes with " +
            TimeoutWords(waits.more);
  AddWaits(c, waits, d);
  d.evidence.push_back(
      "with as many blanks in place of the line endings (ending=spaces) it did not wait");
  return d;
}

// Waited after replies that lack a line ending, and went on by itself.
std::optional<Diagnosis> WaitsForLineEnding(const Case& c) {
  const Waits waits = WaitsOf(c);
  if (waits.after.empty() || waits.elsewhere > 0) return std::nullopt;
  const Reply reply = ReplyTo(c.seen, waits.where[0]);
  Diagnosis d;
  d.name = "waits-for-line-ending";
  d.words = "waited " + FormatDuration(waits.after[waits.after.size() / 2]) + " after each reply " +
            (reply.bytes.ends_with('\r')   ? "that ends with CR only"
             : reply.bytes.ends_with('\n') ? "that ends with LF only"
                                           : "without line ending") +
            ", then went on: it reads until " + AwaitedEnding(c, reply.bytes) + " with " +
            TimeoutWords(waits.more);
  // Inside an emulated board it was seen what it waited for.
  const bool counts =
      std::any_of(c.seen.remarks.begin(), c.seen.remarks.end(), [](const Remark& remark) {
        return remark.kind == "wait" && remark.text.find(" in readBytes()") != std::string::npos;
      });
  if (counts) {
    d.name = "reads-fixed-count";
    d.words = "waited " + FormatDuration(waits.after[waits.after.size() / 2]) +
              " after each shorter reply, then went on: it reads a fixed number of bytes with " +
              TimeoutWords(waits.more);
  }
  AddWaits(c, waits, d);
  return d;
}

namespace {

// Runs for ever, and told nothing of a reply until it was ended.
std::optional<Diagnosis> SilentToTheEnd(const Case& c) {
  if (c.base.ending != SubjectEnding::kOver || c.seen.ending != SubjectEnding::kOver ||
      c.seen.virtual_time || c.seen.commands.empty() ||
      c.trial.verdict.divergence->what != kLineMissing)
    return std::nullopt;
  const std::size_t last = c.seen.commands.size() - 1;
  if (last >= c.base.commands.size() || c.Culprit() != last) return std::nullopt;
  const Reply now = ReplyTo(c.seen, last);
  if (!SameTextOtherEndings(now.bytes, ReplyTo(c.base, last).bytes)) return std::nullopt;
  return Diagnosis{"waits-for-line-ending",
                   "told nothing of a reply with another line ending: it reads until " +
                       AwaitedEnding(c, now.bytes),
                   {"reply to " + CommandWords(c.seen, last) + " was " +
                    SafeTextWithEnding(now.bytes) + "; it printed nothing in the " +
                    FormatDuration(c.seen.ended - now.end) + " until it was ended"}};
}

}  // namespace

// Never went on after a reply.
std::optional<Diagnosis> Hangs(const Case& c) {
  if (auto silent = SilentToTheEnd(c)) return silent;
  if (c.seen.ending != SubjectEnding::kOutOfTime && c.seen.ending != SubjectEnding::kHung)
    return std::nullopt;
  if (c.seen.commands.empty() || !c.seen.unfinished.empty()) return std::nullopt;
  const std::size_t last = c.seen.commands.size() - 1;
  if (last >= c.base.commands.size()) return std::nullopt;
  const Reply then = ReplyTo(c.base, last);
  const Reply now = ReplyTo(c.seen, last);
  Diagnosis d;
  const std::string where = CommandWords(c.seen, last);
  if (now.bytes.empty() && !then.bytes.empty()) {
    d.name = "waits-for-ever";
    d.words = "waits for a reply that does not come, for ever: it reads without a timeout";
    d.evidence = {"no reply was given to " + where + "; it was still running " +
                  FormatDuration(c.seen.ended - c.seen.commands[last].to) + " later"};
    if (!c.seen.ending_words.empty()) d.evidence.push_back("it " + c.seen.ending_words);
    return d;
  }
  if (SameTextOtherEndings(now.bytes, then.bytes) && !now.bytes.empty()) {
    d.name = "waits-for-line-ending";
    d.words = "hung after a reply " +
              std::string(now.bytes.ends_with('\r')   ? "that ends with CR only"
                          : now.bytes.ends_with('\n') ? "that ends with LF only"
                                                      : "without line ending") +
              ": it reads until " + AwaitedEnding(c, now.bytes) + " without a timeout";
    d.evidence = {"reply to " + where + " was " + SafeTextWithEnding(now.bytes) + ", complete " +
                  At(now.end) + "; it was still running " + FormatDuration(c.seen.ended - now.end) +
                  " later"};
    if (!c.seen.ending_words.empty()) d.evidence.push_back("it " + c.seen.ending_words);
    return d;
  }
  if (c.ToCopeOnly() && now.bytes != then.bytes && !now.bytes.empty() && !then.bytes.empty()) {
    d.name = "waits-for-ever";
    d.words =
        "waits for something that a damaged reply does not have, for ever: it reads without a "
        "timeout";
    d.evidence = {"reply to " + where + " was " + SafeTextWithEnding(now.bytes) +
                  ", in the baseline " + SafeTextWithEnding(then.bytes) +
                  "; it was still running " + FormatDuration(c.seen.ended - now.end) + " later"};
    return d;
  }
  return std::nullopt;
}

// Went on before all of a reply was sent.
std::optional<Diagnosis> ReadsTooEarly(const Case& c) {
  if (c.seen.ending == SubjectEnding::kCrashed) return std::nullopt;  // it did not go on
  std::optional<std::size_t> left;  // a reply that it did not wait for to the end
  const std::size_t count = std::min(c.base.commands.size(), c.seen.commands.size());
  for (std::size_t i = 0; i < count; ++i) {
    const Instant on = i + 1 < c.seen.commands.size() ? c.seen.commands[i + 1].from : c.seen.ended;
    if (c.seen.ending == SubjectEnding::kOutOfTime && i + 1 == c.seen.commands.size()) continue;
    Bytes before;
    std::size_t sent = 0;
    Instant end;
    for (const Said& said : c.seen.said) {
      if (said.send.command != i + 1 || said.send.sort == SaidSort::kEcho ||
          said.send.sort == SaidSort::kUnasked)
        continue;
      sent += said.send.bytes.size();
      end = said.sent;
      if (said.sent <= on) {
        before += said.send.bytes;
      } else if (c.seen.virtual_time && said.send.due < on) {
        // On the wire: so much of it was through.
        const double part =
            (on - said.send.due).milliseconds() / (said.sent - said.send.due).milliseconds();
        before += said.send.bytes.substr(
            0, static_cast<std::size_t>(part * static_cast<double>(said.send.bytes.size())));
      }
    }
    const std::size_t planned = PlannedSize(c.trial, i);
    if (planned == 0 || before.size() >= planned) continue;
    // What came late may be a line ending only, or a line that was put behind: that is no loss.
    const Bytes wanted = WithoutEndings(ReplyTo(c.base, i).bytes);
    if (!wanted.empty() && before.find(wanted) != Bytes::npos) {
      if (!left) left = i;
      continue;
    }
    Diagnosis d;
    if (before.empty() && left) {
      // It had left something of an earlier reply, and took that for this one.
      d.name = "reads-too-early";
      d.words = "read before the second piece came: it takes what is there and goes on";
      d.evidence = {"the reply to " + CommandWords(c.seen, *left) +
                        " was not all sent when its next command came",
                    "of the reply to " + CommandWords(c.seen, i) +
                        " no byte had been sent when it went on " + At(on)};
      return d;
    }
    const Duration since = on - c.seen.commands[i].to;
    const std::string ended =
        i + 1 < c.seen.commands.size() ? "its next command came " : "it ended ";
    if (before.empty()) {
      d.name = "gives-up-early";
      d.words = "went on before the reply came: it waits " + AboutWords(since) +
                " for a reply and no longer";
      d.evidence = {ended + FormatDuration(since) + " after " + CommandWords(c.seen, i) +
                    "; no byte of the reply had been sent by then"};
    } else {
      d.name = "reads-too-early";
      d.words = "read before the second piece came: it takes what is there and goes on";
      d.evidence = {"of the reply to " + CommandWords(c.seen, i) + " it could have read " +
                    SafeTextWithEnding(before) + " when " + ended + At(on) +
                    (sent >= planned ? "; the rest was sent " + FormatDuration(end - on) + " later"
                                     : "; the rest was not sent any more")};
    }
    return d;
  }
  return std::nullopt;
}

// Did something else right after a reply that came in pieces.
std::optional<Diagnosis> TakesAPiece(const Case& c) {
  if (!c.Varies("split") && !c.Varies("pace")) return std::nullopt;
  const auto culprit = c.Culprit();
  if (!culprit) return std::nullopt;
  const Reply now = ReplyTo(c.seen, *culprit);
  const Instant at = c.trial.verdict.divergence->at;
  if (now.pieces < 2 || ReplyTo(c.base, *culprit).bytes != now.bytes) return std::nullopt;
  const Bytes whole = WithoutEndings(now.bytes);
  // It printed a reply cut where a piece ended.
  for (const OutputLine& line : c.NewLines()) {
    Bytes sent;
    for (const Said& said : c.seen.said) {
      if (said.send.command != *culprit + 1 || said.send.sort == SaidSort::kEcho) continue;
      sent += said.send.bytes;
      const Bytes piece = WithoutEndings(sent);
      if (piece.size() < 2 || piece.size() >= whole.size()) continue;
      if (line.text.find(piece) == Bytes::npos || line.text.find(whole) != Bytes::npos) continue;
      Diagnosis d;
      d.name = "reads-too-early";
      d.words = "read before the second piece came: it takes what is there and goes on";
      d.evidence = {"the reply to " + CommandWords(c.seen, *culprit) + " came in " +
                        std::to_string(now.pieces) + " pieces until " + FormatInstant(now.end) +
                        " s",
                    "it printed " + SafeText(line.text) + ", which holds the first " +
                        std::to_string(sent.size()) + " bytes only"};
      return d;
    }
  }
  if (at < now.end && at >= now.begin) {
    Diagnosis d;
    d.name = "reads-too-early";
    d.words = "read before the second piece came: it takes what is there and goes on";
    d.evidence = {"it " + c.trial.verdict.divergence->what + " " + At(at) +
                  ", while the reply to " + CommandWords(c.seen, *culprit) + " was sent until " +
                  FormatInstant(now.end) + " s"};
    return d;
  }
  return std::nullopt;
}

// Said something of its own between a command and the late reply to it.
std::optional<Diagnosis> SpeaksBeforeReply(const Case& c) {
  // Elsewhere a print is read with some delay, and says little about when it was made.
  if (c.trial.verdict.kind != VerdictKind::kBroke || !c.trial.verdict.divergence ||
      !c.seen.virtual_time)
    return std::nullopt;
  const Instant at = c.trial.verdict.divergence->at;
  for (std::size_t i = 0; i < c.seen.commands.size(); ++i) {
    const Instant asked = c.seen.commands[i].to;
    const Instant next =
        i + 1 < c.seen.commands.size() ? c.seen.commands[i + 1].from : c.seen.ended;
    if (at < asked || at > next) continue;
    const Reply now = ReplyTo(c.seen, i);
    if (PlannedSize(c.trial, i) == 0) return std::nullopt;
    const bool came = now.pieces > 0 && now.first_due <= at;
    if (came) return std::nullopt;
    // What it took may have been the rest of an earlier reply.
    for (std::size_t k = 0; k < i; ++k)
      if (ReplyTo(c.seen, k).end > c.seen.commands[k + 1].from) return std::nullopt;
    const Duration since = at - asked;
    return Diagnosis{
        "gives-up-early",
        "went on before the reply came: it waits " + AboutWords(since) +
            " for a reply and no longer",
        {"it " + c.trial.verdict.divergence->what + " " + FormatDuration(since) + " after " +
         CommandWords(c.seen, i) + "; no byte of the reply could be read by then"}};
  }
  return std::nullopt;
}

// The bytes were the same, only their times differed: so it is their times that it does not bear.
std::optional<Diagnosis> MindsTiming(const Case& c) {
  if (c.trial.verdict.kind != VerdictKind::kBroke || c.trial.combination.empty())
    return std::nullopt;
  for (const Variation& v : c.trial.combination)
    if (v.factor != "split" && v.factor != "pace" && v.factor != "turnaround") return std::nullopt;
  const std::size_t index = c.Culprit().value_or(0);
  if (index >= c.seen.commands.size() || index >= c.base.commands.size()) return std::nullopt;
  const Reply now = ReplyTo(c.seen, index);
  const Reply then = ReplyTo(c.base, index);
  if (then.bytes.empty() || !then.bytes.starts_with(now.bytes)) return std::nullopt;
  const Duration turnaround = now.first_due - c.seen.commands[index].taken;
  const Duration before = then.first_due - c.base.commands[index].taken;
  Diagnosis d;
  if (now.pieces > then.pieces) {
    d.name = "reads-too-early";
    d.words = "does not wait for all of a reply that comes in pieces";
    d.evidence = {"the reply to " + CommandWords(c.seen, index) + " came in " +
                  std::to_string(now.pieces) + " pieces within " +
                  FormatDuration(now.end - now.begin) + ", in the baseline in " +
                  std::to_string(then.pieces)};
  } else if (turnaround > before + Duration::Milliseconds(10)) {
    d.name = "gives-up-early";
    d.words = "does not wait for a reply that comes after " + FormatDuration(turnaround);
    d.evidence = {"the reply to " + CommandWords(c.seen, index) + " came after " +
                  FormatDuration(turnaround) + ", in the baseline after " + FormatDuration(before)};
  } else if (turnaround + Duration::Milliseconds(2) < before) {
    d.name = "misses-early-reply";
    d.words =
        "loses a reply that comes at once: it is not yet listening, or throws away what is "
        "there";
    d.evidence = {"the reply to " + CommandWords(c.seen, index) + " came after " +
                  FormatDuration(turnaround) + ", in the baseline after " + FormatDuration(before)};
  } else {
    return std::nullopt;
  }
  d.evidence.push_back("its bytes were the same, and it " + c.trial.verdict.divergence->what +
                       ": " + c.trial.verdict.divergence->got);
  return d;
}

}  // namespace trial
