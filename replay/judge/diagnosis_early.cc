// Rules about a subject that goes on before all of a reply is there, or minds its time otherwise.
#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"

namespace trial {

using witness::FormatDuration;
using witness::FormatInstant;
using witness::SafeText;
using witness::SafeTextWithEnding;

namespace {

constexpr char kTooEarly[] =
    "read before the second piece came: it takes what is there and goes on";

// Too short a time for anything but what was there already.
constexpr Duration kNoTime = Duration::Milliseconds(5);

// How much of the reply to one command had been sent when a subject went on.
struct Left {
  Instant on;          // its next command, or its end
  bool ended = false;  // it had no next command
  Bytes before;        // sent by then, echo and unsolicited lines left out
  std::size_t planned = 0;
  std::size_t sent = 0;  // in the end
  Instant end;
};

// Nothing if it waited for all of it, or if it never went on.
std::optional<Left> LeftAt(const TrialResult& trial, std::size_t i) {
  const Observations& o = trial.observations;
  Left left;
  left.ended = i + 1 >= o.commands.size();
  if (left.ended && o.ending == SubjectEnding::kOutOfTime) return std::nullopt;
  left.on = left.ended ? o.ended : o.commands[i + 1].from;
  for (const Said& said : o.said) {
    if (said.send.command != i + 1 || said.send.sort == SaidSort::kEcho ||
        said.send.sort == SaidSort::kUnasked)
      continue;
    left.sent += said.send.bytes.size();
    left.end = said.sent;
    if (said.sent <= left.on) {
      left.before += said.send.bytes;
    } else if (o.virtual_time && said.send.due < left.on) {
      // On the wire: so much of it was through.
      const double part =
          (left.on - said.send.due).milliseconds() / (said.sent - said.send.due).milliseconds();
      left.before += said.send.bytes.substr(
          0, static_cast<std::size_t>(part * static_cast<double>(said.send.bytes.size())));
    }
  }
  left.planned = PlannedSize(trial, i);
  if (left.planned == 0 || left.before.size() >= left.planned) return std::nullopt;
  return left;
}

// What of a reply was there, and when it went on.
std::string LeftWords(const Case& c, std::size_t i, const Left& left) {
  return "of the reply to " + CommandWords(c.seen, i) + " it could have read " +
         SafeTextWithEnding(left.before) + " when " +
         (left.ended ? "it ended " : "its next command came ") + At(left.on) +
         (left.sent >= left.planned
              ? "; the rest was sent " + FormatDuration(left.end - left.on) + " later"
              : "; the rest was not sent any more");
}

// An unsolicited line that it got between command `i` and going on without a byte of the reply.
const Said* UnaskedBefore(const Case& c, std::size_t i, Instant on) {
  for (const Said& said : c.seen.said)
    if (said.send.sort == SaidSort::kUnasked && said.sent >= c.seen.commands[i].from &&
        said.sent <= on)
      return &said;
  return nullptr;
}

}  // namespace

// Went on before all of a reply was sent, and did not so in the baseline.
std::optional<Diagnosis> ReadsTooEarly(const Case& c) {
  if (c.seen.ending == SubjectEnding::kCrashed) return std::nullopt;  // it did not go on
  std::optional<std::size_t> left;  // a reply that it did not wait for to the end
  const std::size_t count = std::min(c.base.commands.size(), c.seen.commands.size());
  for (std::size_t i = 0; i < count; ++i) {
    // What comes behind the first difference is no reason for it.
    if (c.seen.commands[i].from > c.trial.verdict.divergence->at) break;
    const auto now = LeftAt(c.trial, i);
    if (!now) continue;
    // What came late may be a line ending only, or a line that was put behind: that is no loss.
    const Bytes wanted = WithoutEndings(OwnReply(c.base, i));
    if (!wanted.empty() && now->before.find(wanted) != Bytes::npos) {
      if (!left) left = i;
      continue;
    }
    // So it does with the replies as recorded, too.
    const auto then = LeftAt(c.baseline, i);
    if (then && then->before == now->before) continue;
    if (now->before.empty() && left) {
      // It had left something of an earlier reply, and took that for this one.
      return Diagnosis{"reads-too-early",
                       kTooEarly,
                       {"the reply to " + CommandWords(c.seen, *left) +
                            " was not all sent when its next command came",
                        "of the reply to " + CommandWords(c.seen, i) +
                            " no byte had been sent when it went on " + At(now->on)}};
    }
    // Or the reply before was just being sent when it went on from that, and the rest of it was
    // taken for this one.
    if (i > 0 && now->before.empty()) {
      const Reply reply = ReplyTo(c.seen, i - 1);
      if (reply.pieces > 1 && c.seen.commands[i].from - reply.end < kNoTime &&
          now->on - c.seen.commands[i].from < kNoTime)
        return Diagnosis{
            "reads-too-early",
            kTooEarly,
            {"the reply to " + CommandWords(c.seen, i - 1) + " came in " +
                 std::to_string(reply.pieces) + " pieces until " + FormatInstant(reply.end) +
                 " s; its next command came " +
                 FormatDuration(std::max(c.seen.commands[i].from - reply.end, Duration::Zero())) +
                 " later",
             "from that it went on after " + FormatDuration(now->on - c.seen.commands[i].from) +
                 ", when no byte of the reply to it had been sent"}};
    }
    const Duration since = now->on - c.seen.commands[i].to;
    const std::string ended = now->ended ? "it ended " : "its next command came ";
    if (!now->before.empty())
      return Diagnosis{"reads-too-early", kTooEarly, {LeftWords(c, i, *now)}};
    // What it took was the rest of a reply that was longer than ever.
    if (since < kNoTime && i > 0 &&
        ReplyTo(c.seen, i - 1).bytes.size() > ReplyTo(c.base, i - 1).bytes.size())
      return std::nullopt;
    if (const Said* unasked = UnaskedBefore(c, i, now->on))
      return Diagnosis{
          "takes-unsolicited",
          "took the unsolicited line for the reply",
          {SafeText(WithoutEndings(unasked->send.bytes)) + " was sent " + At(unasked->sent) +
           ", and " + ended + FormatDuration(now->on - unasked->sent) +
           " later, before any byte of the "
           "reply to " +
           CommandWords(c.seen, i)}};
    return Diagnosis{"gives-up-early",
                     "went on before the reply came: it waits " + AboutWords(since) +
                         " for a reply and no longer",
                     {ended + FormatDuration(since) + " after " + CommandWords(c.seen, i) +
                      "; no byte of the reply had been sent by then"}};
  }
  return std::nullopt;
}

// Goes on too early with the replies as recorded, too; other times give it other parts of them.
std::optional<Diagnosis> EarlyFromTheFirst(const Case& c) {
  if (!OnlyTimes(c)) return std::nullopt;
  const std::size_t count = std::min(c.base.commands.size(), c.seen.commands.size());
  for (std::size_t i = 0; i < count; ++i) {
    if (c.seen.commands[i].from > c.trial.verdict.divergence->at) break;
    const auto then = LeftAt(c.baseline, i);
    if (!then || then->before.empty()) continue;
    const auto now = LeftAt(c.trial, i);
    if (now && now->before == then->before) continue;
    Case recorded = {c.baseline, c.baseline, c.others, c.judge, c.base, c.base};
    return Diagnosis{
        "reads-too-early",
        "takes what is there and goes on: how much of a reply that is, depends on its times",
        {"with the replies as recorded, " + LeftWords(recorded, i, *then),
         now ? "now " + LeftWords(c, i, *now) : "now all of that reply had been sent by then"}};
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
      d.words = kTooEarly;
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
    d.words = kTooEarly;
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
  if (c.trial.verdict.kind != VerdictKind::kBroke || !OnlyTimes(c)) return std::nullopt;
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
    // It went on as soon as ever, or said something of its own before the reply came.
    const auto cycle = [&](const Observations& o) {
      return (index + 1 < o.commands.size() ? o.commands[index + 1].from : o.ended) -
             o.commands[index].from;
    };
    const bool as_soon = cycle(c.seen) - cycle(c.base) < (turnaround - before) / 2;
    if (!as_soon && c.trial.verdict.divergence->at >= now.begin) return std::nullopt;
    d.name = "gives-up-early";
    d.words = "does not wait for a reply that comes after " + FormatDuration(turnaround);
    d.evidence = {"the reply to " + CommandWords(c.seen, index) + " came after " +
                  FormatDuration(turnaround) + ", in the baseline after " + FormatDuration(before)};
  } else if (turnaround + Duration::Milliseconds(2) < before) {
    // It waited for what had been there already, or asked again.
    const Duration waited = WaitBehind(c.seen, index);
    const bool waits = waited - WaitBehind(c.base, index) >= LongWait(c.seen);
    const bool again = index + 1 < c.seen.commands.size() &&
                       c.seen.commands[index + 1].bytes == c.seen.commands[index].bytes;
    if (!waits && !again) return std::nullopt;
    d.name = "misses-early-reply";
    // Inside an emulated board it was seen that no byte was lost.
    d.words = c.seen.virtual_time
                  ? "takes a reply that comes at once otherwise: it throws away what is there, or "
                    "relies on a pause"
                  : "loses a reply that comes at once: it is not yet listening, or throws away "
                    "what is there";
    d.evidence = {"the reply to " + CommandWords(c.seen, index) + " came after " +
                  FormatDuration(turnaround) + ", in the baseline after " + FormatDuration(before)};
    if (again)
      d.evidence.push_back("then it sent the same command again");
    else
      d.evidence.push_back("then it waited " + FormatDuration(waited) + ", in the baseline " +
                           FormatDuration(WaitBehind(c.base, index)));
  } else {
    return std::nullopt;
  }
  d.evidence.push_back("its bytes were the same, and it " + c.trial.verdict.divergence->what +
                       ": " + c.trial.verdict.divergence->got);
  return d;
}

}  // namespace trial
