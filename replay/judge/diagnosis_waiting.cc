// Rules about when a subject reads, and for how long.
#include <algorithm>
#include <cmath>

#include "capture/base/text.h"
#include "replay/judge/diagnosis.h"
#include "replay/judge/diagnosis_rules.h"

namespace trial {

using witness::FormatDuration;
using witness::SafeText;
using witness::SafeTextWithEnding;

namespace {

// What the waits tell of the timeout: the shortest of them, if the others are so long once, twice
// or more times; else from where to where they reach.
std::string TimeoutWords(const Case& c, const std::vector<Duration>& waits) {
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
  else if (seconds > 1 && seconds <= 10 && near && c.seen.virtual_time)
    words +=
        ", or " + std::to_string(seconds) + " of 1000 ms, the default of the common core's Stream";
  return words;
}

// CR, LF or none, as the last of a reply.
char LastEnding(ByteView reply) {
  return reply.ends_with('\r') || reply.ends_with('\n') ? reply.back() : '\0';
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
  // What ends as recorded (with an unsolicited line behind the reply, say) cut the wait short.
  const auto ends_so = [&](std::size_t i) {
    return LastEnding(ReplyTo(c.seen, i).bytes) == LastEnding(ReplyTo(c.base, i).bytes);
  };
  if (!std::all_of(waits.where.begin(), waits.where.end(), ends_so))
    for (std::size_t k = waits.where.size(); k > 0; --k)
      if (ends_so(waits.where[k - 1])) {
        const auto at = static_cast<std::ptrdiff_t>(k - 1);
        waits.after.erase(waits.after.begin() + at);
        waits.more.erase(waits.more.begin() + at);
        waits.where.erase(waits.where.begin() + at);
      }
  return waits;
}

// Whether another trial waited, too, as one does whose line ending does not come.
bool Waited(const Case& c, const TrialResult& other) {
  if (other.verdict.kind == VerdictKind::kHeld) return false;
  if (other.observations.ending == SubjectEnding::kOutOfTime) return true;
  const Case of_other = {c.baseline, other, c.others, c.judge, c.base, other.observations};
  return !WaitsOf(of_other).after.empty();
}

// Which byte a reader that stops at the end of a line waits for, from which it waited for.
std::string AwaitedEnding(const Case& c, ByteView reply) {
  // It may as well read a line and look for the CR in it: that waits for the next line, too.
  constexpr char kBoth[] = "CR LF, or until a line with the CR in it comes,";
  const TrialResult* cr = c.Other("ending=cr");
  const TrialResult* lf = c.Other("ending=lf");
  if (reply.ends_with('\r')) return lf != nullptr && Waited(c, *lf) ? kBoth : "LF";
  if (reply.ends_with('\n')) {
    if (cr == nullptr) return "CR LF or CR";
    return Waited(c, *cr) ? kBoth : "CR";
  }
  if (cr == nullptr || lf == nullptr) return "a line ending";
  const bool without_lf = Waited(c, *cr);
  const bool without_cr = Waited(c, *lf);
  if (without_lf && without_cr) return kBoth;
  if (without_lf) return "LF";
  return without_cr ? "CR" : "CR or LF";
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
            TimeoutWords(c, waits.more);
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
            TimeoutWords(c, waits.more);
  // Inside an emulated board it was seen what it waited for.
  const bool counts =
      std::any_of(c.seen.remarks.begin(), c.seen.remarks.end(), [](const Remark& remark) {
        return remark.kind == "wait" && remark.text.find(" in readBytes()") != std::string::npos;
      });
  if (counts) {
    d.name = "reads-fixed-count";
    d.words = "waited " + FormatDuration(waits.after[waits.after.size() / 2]) +
              " after each shorter reply, then went on: it reads a fixed number of bytes with " +
              TimeoutWords(c, waits.more);
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

// Never went on after a reply. How long it would have waited is known only if it waited before: one
// that does so behind each reply is slow, and was ended by us.
std::optional<Diagnosis> Hangs(const Case& c) {
  if (auto silent = SilentToTheEnd(c)) return silent;
  if (c.seen.ending != SubjectEnding::kOutOfTime && c.seen.ending != SubjectEnding::kHung)
    return std::nullopt;
  if (c.seen.commands.empty() || !c.seen.unfinished.empty()) return std::nullopt;
  const std::size_t last = c.seen.commands.size() - 1;
  if (last >= c.base.commands.size()) return std::nullopt;
  const Reply then = ReplyTo(c.base, last);
  const Reply now = ReplyTo(c.seen, last);
  const std::string where = CommandWords(c.seen, last);
  const bool none = now.bytes.empty() && !then.bytes.empty();
  const Instant since = none ? c.seen.commands[last].to : now.end;
  const std::string still =
      "it was still running " + FormatDuration(c.seen.ended - since) + " later";
  // The longest wait that it ended by itself, behind a reply that had been changed, too.
  Duration before;
  for (std::size_t i = 0; i < last; ++i)
    if (ReplyTo(c.seen, i).bytes != ReplyTo(c.base, i).bytes &&
        WaitBehind(c.seen, i) - WaitBehind(c.base, i) >= LongWait(c.seen))
      before = std::max(before, WaitBehind(c.seen, i));
  const bool went_on = before > Duration::Zero() && c.seen.ended - since < before * 2;
  const std::string timeout =
      "without a timeout, or with one longer than " + FormatDuration(c.seen.ended - since);
  Diagnosis d;
  if (SameTextOtherEndings(now.bytes, then.bytes) && !now.bytes.empty()) {
    // How it waits is told by the replies behind which it went on.
    if (went_on) return WaitsForLineEnding(c);
    d.name = "waits-for-line-ending";
    d.words = "hung after a reply " +
              std::string(now.bytes.ends_with('\r')   ? "that ends with CR only"
                          : now.bytes.ends_with('\n') ? "that ends with LF only"
                                                      : "without line ending") +
              ": it reads until " + AwaitedEnding(c, now.bytes) + " " + timeout;
    d.evidence = {"reply to " + where + " was " + SafeTextWithEnding(now.bytes) + ", complete " +
                  At(now.end) + "; " + still};
  } else if (none || (c.ToCopeOnly() && now.bytes != then.bytes && !now.bytes.empty() &&
                      !then.bytes.empty())) {
    d.name = went_on ? "waits-long" : "waits-for-ever";
    const std::string what =
        none ? "a reply that does not come" : "something that a damaged reply does not have";
    d.words = went_on ? "waits " + AboutWords(before) + " for " + what +
                            ", each time: its time was over before it had done all"
                      : "waits for " + what + ", for ever: it reads " + timeout;
    d.evidence = {(none ? "no reply was given to " + where
                        : "reply to " + where + " was " + SafeTextWithEnding(now.bytes) +
                              ", in the baseline " + SafeTextWithEnding(then.bytes)) +
                  "; " + still};
    if (went_on)
      d.evidence.push_back("behind an earlier reply it had gone on after " +
                           FormatDuration(before));
  } else {
    return std::nullopt;
  }
  if (!c.seen.ending_words.empty()) d.evidence.push_back("it " + c.seen.ending_words);
  return d;
}

std::optional<Diagnosis> WaitsAsRecorded(const TrialResult& baseline,
                                         const std::vector<TrialResult>& trials,
                                         const Judge& judge) {
  const Observations& base = baseline.observations;
  // By the name of the ending: behind how many replies it goes on sooner by a read timeout.
  std::optional<Diagnosis> found;
  bool tried[3] = {};
  bool sooner[3] = {};
  constexpr const char* kEndings[] = {"ending=lf", "ending=cr", "ending=crlf"};
  for (std::size_t k = 0; k < std::size(kEndings); ++k)
    for (const TrialResult& trial : trials) {
      if (CombinationName(trial.combination) != kEndings[k]) continue;
      tried[k] = true;
      if (trial.verdict.kind != VerdictKind::kHeld) continue;
      // The same case, seen from the other side: now it is the recorded ending that costs time.
      TrialResult recorded = baseline;
      recorded.verdict.divergence = Divergence{};
      const Case c = {trial, recorded, trials, judge, trial.observations, base};
      const Waits waits = WaitsOf(c);
      if (waits.more.empty() || waits.elsewhere > 0 ||
          *std::min_element(waits.more.begin(), waits.more.end()) < kSlowWait)
        continue;
      sooner[k] = true;
      if (found) continue;
      const std::size_t first = waits.where[0];
      found = Diagnosis{"waits-for-line-ending",
                        TimeoutWords(c, waits.more),
                        {"reply to " + CommandWords(base, first) + " is " +
                         SafeTextWithEnding(ReplyTo(base, first).bytes) + "; on after " +
                         FormatDuration(waits.after[0]) + ", with " + kEndings[k] + " after " +
                         FormatDuration(WaitBehind(trial.observations, first))}};
    }
  if (!found) return std::nullopt;
  const char* awaited = sooner[0] && sooner[1] ? "CR or LF"
                        : sooner[0]            ? "LF"
                        : sooner[1]            ? "CR"
                        : tried[0] && tried[1] ? "CR LF"
                                               : "a line ending";
  found->words = "waits behind the replies as recorded, and not where they end with " +
                 std::string(awaited) + ": it reads until " + awaited + " with " + found->words;
  return found;
}

}  // namespace trial
