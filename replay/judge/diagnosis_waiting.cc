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

std::string TimeoutWords(Duration wait) {
  std::string words = "a timeout of " + FormatDuration(wait);
  if (wait >= Duration::Milliseconds(950) && wait <= Duration::Milliseconds(1150))
    words += " (1000 ms is the default of the common core's Stream)";
  const auto times = static_cast<std::int64_t>(std::lround(wait.milliseconds() / 1000));
  if (times > 1 && times <= 10 && wait >= Duration::Milliseconds(970) * times &&
      wait <= Duration::Milliseconds(1040) * times)
    words = std::to_string(times) + " timeouts of 1000 ms, the default of the common core's Stream";
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

}  // namespace

// Waited after replies that lack a line ending, and went on by itself.
std::optional<Diagnosis> WaitsForLineEnding(const Case& c) {
  std::vector<Duration> waits;
  std::vector<std::size_t> where;
  std::size_t ended_and_waited = 0;
  const std::size_t count = std::min(c.base.commands.size(), c.seen.commands.size());
  for (std::size_t i = 0; i < count; ++i) {
    const Reply then = ReplyTo(c.base, i);
    const Reply now = ReplyTo(c.seen, i);
    if (now.bytes.empty() || then.bytes.empty()) continue;
    const bool last_of_all = i + 1 == c.seen.commands.size();
    if (last_of_all && c.seen.ending == SubjectEnding::kOutOfTime) continue;
    const Duration longer = WaitBehind(c.seen, i) - WaitBehind(c.base, i);
    const bool lost = SameTextOtherEndings(now.bytes, then.bytes);
    if (longer < kLongWait + c.seen.starved) continue;
    if (!lost) {
      ++ended_and_waited;
      continue;
    }
    waits.push_back(WaitBehind(c.seen, i));
    where.push_back(i);
  }
  if (waits.empty() || ended_and_waited > 0) return std::nullopt;
  const auto [shortest, longest] = std::minmax_element(waits.begin(), waits.end());
  const Duration typical = waits[waits.size() / 2];
  const Reply reply = ReplyTo(c.seen, where[0]);
  const std::string awaited = AwaitedEnding(c, reply.bytes);
  Diagnosis d;
  d.name = "waits-for-line-ending";
  d.words = "waited " + FormatDuration(typical) + " after each reply " +
            (reply.bytes.ends_with('\r')   ? "that ends with CR only"
             : reply.bytes.ends_with('\n') ? "that ends with LF only"
                                           : "without line ending") +
            ", then went on: it reads until " + awaited + " with " +
            TimeoutWords(*shortest + (*longest - *shortest) / 2);
  for (std::size_t k = 0; k < where.size() && k < 4; ++k)
    d.evidence.push_back("reply to " + CommandWords(c.seen, where[k]) + " was " +
                         SafeTextWithEnding(ReplyTo(c.seen, where[k]).bytes) + "; on after " +
                         FormatDuration(waits[k]) + ", in the baseline after " +
                         FormatDuration(WaitBehind(c.base, where[k])));
  return d;
}

// Never went on after a reply.
std::optional<Diagnosis> Hangs(const Case& c) {
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
  return std::nullopt;
}

// Went on before all of a reply was sent.
std::optional<Diagnosis> ReadsTooEarly(const Case& c) {
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
      d.words = "went on before the reply came: it waits " + FormatDuration(since) +
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
        "went on before the reply came: it waits " + FormatDuration(since) +
            " for a reply and no longer",
        {"it " + c.trial.verdict.divergence->what + " " + FormatDuration(since) + " after " +
         CommandWords(c.seen, i) + "; no byte of the reply could be read by then"}};
  }
  return std::nullopt;
}

}  // namespace trial
