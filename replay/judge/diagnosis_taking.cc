// Rules about what a subject takes for the reply.
#include <algorithm>
#include <csignal>
#include <cstring>
#include <set>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"

namespace trial {

using witness::SafeText;
using witness::SafeTextWithEnding;

// Longer replies, and at the end just as much lies unread as they are longer, all together.
std::optional<Diagnosis> ReadsRecordedCount(const Case& c) {
  if (!c.Varies("ending") || c.base.unread_bytes != 0 || c.seen.unread_bytes == 0 ||
      c.seen.commands.size() < 2 || c.seen.commands.size() != c.base.commands.size())
    return std::nullopt;
  std::size_t longer = 0;
  std::size_t read = 0;
  std::set<Bytes> ends;
  for (std::size_t i = 0; i < c.seen.commands.size(); ++i) {
    const Bytes now = ReplyTo(c.seen, i).bytes;
    const Bytes then = ReplyTo(c.base, i).bytes;
    if (!SameTextOtherEndings(now, then) || now.size() <= then.size()) return std::nullopt;
    longer += now.size() - then.size();
    read += then.size();
    ends.insert(then.substr(then.size() - std::min<std::size_t>(then.size(), 2)));
  }
  // Where all replies end alike, it may as well read up to that end.
  if (longer != c.seen.unread_bytes || ends.size() < 2) return std::nullopt;
  return Diagnosis{"reads-fixed-count",
                   "reads as many bytes as the recorded replies have: what a reply has more stays "
                   "unread, and is "
                   "taken for the beginning of the next",
                   {"of " + std::to_string(read + longer) + " bytes in " +
                    std::to_string(c.seen.commands.size()) + " replies it read " +
                    std::to_string(read) + ", as many as the recorded ones have; " +
                    std::to_string(longer) + " were unread at its end"}};
}

// Reads no further than the recorded replies go: a line ending behind one stays where it is.
std::optional<Diagnosis> LeavesLineEnding(const Case& c) {
  const auto culprit = c.Culprit();
  if (!c.Varies("ending") || !culprit) return std::nullopt;
  for (std::size_t i = 0; i < *culprit && i + 1 < c.seen.commands.size(); ++i) {
    const Bytes now = ReplyTo(c.seen, i).bytes;
    const Bytes then = ReplyTo(c.base, i).bytes;
    if (!SameTextOtherEndings(now, then) || now.size() <= then.size()) continue;
    const auto unread =
        std::find_if(c.seen.remarks.begin(), c.seen.remarks.end(), [&](const Remark& remark) {
          return remark.kind == "unread" && remark.count > 0 &&
                 remark.count <= now.size() - then.size() && remark.at >= c.seen.commands[i].to &&
                 remark.at <= c.seen.commands[i + 1].taken;
        });
    Diagnosis d{"takes-leftover",
                "reads no further than the recorded replies go: the line ending behind stays "
                "unread, and is taken for the beginning of the next reply",
                {"the reply to " + CommandWords(c.seen, i) + " was " + SafeTextWithEnding(now) +
                 ", in the baseline " + SafeTextWithEnding(then)}};
    // Seen when the next command came, or by what it printed then.
    if (unread != c.seen.remarks.end()) return d;  // what was seen is added to each diagnosis
    const Divergence& divergence = *c.trial.verdict.divergence;
    const std::size_t missing =
        divergence.expected.size() - std::min(divergence.got.size(), divergence.expected.size());
    if (missing == 0 || missing > now.size() - then.size() || divergence.got.size() < 2 ||
        !divergence.expected.starts_with(divergence.got))
      continue;
    d.evidence.push_back("it printed " + divergence.got + ": the last " + std::to_string(missing) +
                         " missing, no more than the line ending before it has");
    return d;
  }
  return std::nullopt;
}

// Says a word of the reply again, with the line ending still on it.
std::optional<Diagnosis> SendsLineEnding(const Case& c) {
  const auto& divergence = *c.trial.verdict.divergence;
  const std::size_t index = divergence.command == 0 ? 0 : divergence.command - 1;
  if (divergence.what != kAnotherCommand || index >= c.base.commands.size() ||
      index >= c.seen.commands.size())
    return std::nullopt;
  const Bytes& then = c.base.commands[index].bytes;
  const Bytes& now = c.seen.commands[index].bytes;
  if (!SameTextOtherEndings(now, then) || now.size() <= then.size()) return std::nullopt;
  return Diagnosis{
      "sends-line-ending",
      "put the line ending of a reply into its next command",
      {"it sent " + SafeTextWithEnding(now) + ", in the baseline " + SafeTextWithEnding(then)}};
}

// Compares or keeps the reply with its line ending in it.
std::optional<Diagnosis> KeepsLineEnding(const Case& c) {
  if (!c.Varies("ending")) return std::nullopt;
  const auto culprit = c.Culprit();
  if (!culprit) return std::nullopt;
  const Reply now = ReplyTo(c.seen, *culprit);
  const Reply then = ReplyTo(c.base, *culprit);
  if (!SameTextOtherEndings(now.bytes, then.bytes)) return std::nullopt;
  if (WaitBehind(c.seen, *culprit) - WaitBehind(c.base, *culprit) > kSlowWait) return std::nullopt;
  Diagnosis d;
  d.name = "compares-with-line-ending";
  const bool cr = now.bytes.find('\r') != Bytes::npos;
  const bool cr_before = then.bytes.find('\r') != Bytes::npos;
  const bool lf_before = then.bytes.find('\n') != Bytes::npos;
  if (cr && !cr_before)
    d.words = "compared with \\r still in it";
  else if (cr_before && lf_before)
    d.words = "takes line endings for a part of the reply: it expects the recorded ones, \\r\\n";
  else
    d.words = "compared with the line ending still in it";
  d.evidence = {"the reply to " + CommandWords(c.seen, *culprit) + " was " +
                SafeTextWithEnding(now.bytes) + ", in the baseline " +
                SafeTextWithEnding(then.bytes) + "; the text is the same"};
  for (const OutputLine& line : c.NewLines())
    if (line.text.find("\\r") != Bytes::npos || line.text.find("\\n") != Bytes::npos) {
      d.evidence.push_back("it printed " + SafeText(line.text));
      break;
    }
  d.evidence.push_back("it " + c.trial.verdict.divergence->what +
                       " without waiting: " + c.trial.verdict.divergence->got);
  return d;
}

std::optional<Diagnosis> CannotDecode(const Case& c) {
  for (const OutputLine& line : c.NewLines()) {
    if (!line.errors || (line.text.find("UnicodeDecodeError") == Bytes::npos &&
                         line.text.find("codec can't decode") == Bytes::npos))
      continue;
    return Diagnosis{"cannot-decode",
                     "takes all bytes for text: it stops at the first that is none",
                     {"it printed " + SafeText(line.text)}};
  }
  return std::nullopt;
}

std::optional<Diagnosis> ComparesCase(const Case& c) {
  if (c.trial.combination.size() != 1 || !c.Varies("case")) return std::nullopt;
  const auto index = c.ChangedReply();
  if (!index) return std::nullopt;
  const auto& divergence = *c.trial.verdict.divergence;
  return Diagnosis{
      "compares-case",
      "compares capital and small letters exactly",
      {"the reply to " + CommandWords(c.seen, *index) + " was " +
           SafeTextWithEnding(ReplyTo(c.seen, *index).bytes) + ", in the baseline " +
           SafeTextWithEnding(ReplyTo(c.base, *index).bytes) +
           ": the same but for capital and small letters",
       "after it, other than in the baseline: " + divergence.what + ": " + divergence.got}};
}

namespace {

// How a subject was stopped by what it was given: "IndexError: list index out of range", "SIGSEGV";
// empty: it was not.
std::string Stopped(const Case& c) {
  if (c.seen.virtual_time) return "";
  if (c.trial.verdict.divergence->what == kUnhandledError) return c.trial.verdict.divergence->got;
  if (c.seen.ending != SubjectEnding::kSignalled) return "";
  const char* name = sigabbrev_np(c.seen.signal);
  return name == nullptr ? "signal " + std::to_string(c.seen.signal) : "SIG" + std::string(name);
}

struct Run {
  char of = 0;
  std::size_t from = 0;
  std::size_t size = 0;
};

// The longest run of one character; of `only`, if given.
Run LongestRun(ByteView text, std::optional<char> only) {
  Run longest;
  Run run;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (run.size == 0 || text[i] != run.of) run = {text[i], i, 0};
    ++run.size;
    if (run.size > longest.size && (!only || *only == run.of)) longest = run;
  }
  return longest;
}

}  // namespace

// Lost what lies behind a buffer's size.
std::optional<Diagnosis> CutsLongReply(const Case& c) {
  if (!c.Varies("length")) return std::nullopt;
  for (std::size_t i = 0; i < c.seen.commands.size(); ++i) {
    const Bytes reply = ReplyTo(c.seen, i).bytes;
    // The reply was made longer by a run of one character, and what came before that was shown.
    const Run whole = LongestRun(reply, std::nullopt);
    if (whole.size < 16) continue;
    const std::size_t line_from = reply.find_last_of("\r\n", whole.from) + 1;  // npos + 1 is 0
    const Bytes head = reply.substr(line_from, whole.from - line_from);
    for (const OutputLine& line : c.NewLines()) {
      const Run shown = LongestRun(line.text, whole.of);
      const std::size_t tail = std::min<std::size_t>(head.size(), 3);
      const bool continues =
          tail > 0 && shown.from >= tail &&
          line.text.substr(shown.from - tail, tail) == head.substr(head.size() - tail);
      if (shown.size >= whole.size || shown.size < (continues ? 1u : 4u)) continue;
      // It may show another reply, all of it.
      bool of_another = false;
      for (std::size_t k = 0; k < c.seen.commands.size(); ++k)
        of_another =
            of_another || LongestRun(ReplyTo(c.seen, k).bytes, whole.of).size == shown.size;
      if (of_another) continue;
      return Diagnosis{
          "cuts-long-reply",
          "cut a long reply after " + std::to_string(whole.from + shown.size) + " bytes",
          {"the reply to " + CommandWords(c.seen, i) + " has " + std::to_string(reply.size()) +
           " bytes; of the " + std::to_string(whole.size) + " times " + SafeText({&whole.of, 1}) +
           " in it, it printed " + std::to_string(shown.size)}};
    }
  }
  return std::nullopt;
}

// The replies said the same but were longer: so it is their length that it does not bear.
std::optional<Diagnosis> FailsOnLongReply(const Case& c) {
  if (c.trial.combination.size() != 1 || !c.Varies("length")) return std::nullopt;
  const auto index = c.ChangedReply();
  if (!index) return std::nullopt;
  const std::size_t size = ReplyTo(c.seen, *index).bytes.size();
  const std::size_t before = ReplyTo(c.base, *index).bytes.size();
  const auto& divergence = *c.trial.verdict.divergence;
  Diagnosis d;
  d.name = "fails-on-long-reply";
  d.words = "does not get on with a reply of " + std::to_string(size) + " bytes";
  const std::size_t next = *index + 1;
  if (next < c.seen.commands.size() && c.seen.commands[next].bytes == c.seen.commands[*index].bytes)
    d.words += ": it asks again, as if none had come";
  d.evidence = {"the reply to " + CommandWords(c.seen, *index) + " has " + std::to_string(size) +
                    " bytes, in the baseline " + std::to_string(before) +
                    "; it says the same but for a longer figure or word",
                "it " + divergence.what + ": " + divergence.got};
  return d;
}

// Takes for granted that there is a reply, or what is in it.
std::optional<Diagnosis> CrashesOnReply(const Case& c) {
  const std::string stopped = Stopped(c);
  if (stopped.empty()) return std::nullopt;
  const auto index = c.ChangedReply();
  if (!index) return std::nullopt;
  const Bytes now = ReplyTo(c.seen, *index).bytes;
  const Bytes then = ReplyTo(c.base, *index).bytes;
  Diagnosis d;
  if (now.empty()) {
    d.name = "crashes-without-reply";
    d.words = "takes it for granted that a reply comes: without one it stops (" + stopped + ")";
    d.evidence = {"no reply was given to " + CommandWords(c.seen, *index) + ", in the baseline " +
                  SafeTextWithEnding(then)};
  } else {
    d.name = "crashes-on-other-reply";
    d.words =
        "takes it for granted what a reply holds: with another one it stops (" + stopped + ")";
    d.evidence = {"the reply to " + CommandWords(c.seen, *index) + " was " +
                  SafeTextWithEnding(now) + ", in the baseline " + SafeTextWithEnding(then)};
  }
  return d;
}

}  // namespace trial
