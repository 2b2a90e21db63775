// Rules about what a subject takes for the reply.
#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"

namespace trial {

using witness::SafeText;
using witness::SafeTextWithEnding;

// Took something else for the reply: an unsolicited line, a banner, the echo, what was left over.
std::optional<Diagnosis> TakesAnotherForTheReply(const Case& c) {
  struct Sort {
    const char* factor;
    const char* prefix;
    const char* name;
    const char* what;
  };
  static constexpr Sort kSorts[] = {
      {"extra", "banner", "takes-banner", "the banner"},
      {"extra", "leftover", "takes-leftover", "what was left of the last reply"},
      {"extra", "", "takes-unsolicited", "the unsolicited line"},
      {"echo", "", "takes-echo", "the echo"},
  };
  for (const Variation& variation : c.trial.combination)
    for (const Sort& sort : kSorts) {
      if (variation.factor != sort.factor || !variation.level.starts_with(sort.prefix)) continue;
      if (variation.level == "off") continue;
      // The bytes that the baseline did not get.
      std::vector<Bytes> added;
      for (const Said& said : c.seen.said) {
        const Bytes text = WithoutEndings(said.send.bytes);
        if (text.size() < 2) continue;
        const bool known = std::any_of(c.base.said.begin(), c.base.said.end(), [&](const Said& b) {
          return WithoutEndings(b.send.bytes) == text && b.send.sort == said.send.sort;
        });
        if (!known) added.push_back(text);
      }
      Diagnosis d;
      d.name = sort.name;
      d.words = "took " + std::string(sort.what) + " for the reply";
      for (const OutputLine& line : c.NewLines())
        for (const Bytes& text : added)
          if (d.evidence.empty() && line.text.find(text) != Bytes::npos)
            d.evidence.push_back("it printed " + SafeText(line.text) + ", which holds " +
                                 SafeText(text));
      if (d.evidence.empty()) {
        // Or it acted on it: the first difference lies right behind what was added.
        const auto culprit = c.Culprit();
        if (!c.trial.verdict.divergence || c.trial.combination.size() != 1) return std::nullopt;
        const std::string where =
            culprit ? "behind " + CommandWords(c.seen, *culprit) : "before its first command";
        d.evidence.push_back("the only change was " + variation.Name() + "; " + where + " it " +
                             c.trial.verdict.divergence->what + " (" +
                             c.trial.verdict.divergence->got + ")");
      }
      return d;
    }
  return std::nullopt;
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
    d.words = "compared with the line ending still in it: it expects the recorded one, \\r\\n";
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
  return Diagnosis{"compares-case",
                   "compares capital and small letters exactly",
                   {"the only change was " + c.trial.combination[0].Name() + ", and it " +
                    c.trial.verdict.divergence->what + ": " + c.trial.verdict.divergence->got}};
}

// Lost what lies behind a buffer's size.
std::optional<Diagnosis> CutsLongReply(const Case& c) {
  if (!c.Varies("length")) return std::nullopt;
  // The reply was made longer by a run of one character.
  struct Run {
    char of = 0;
    std::size_t from = 0;
    std::size_t size = 0;
  };
  const auto longest_run = [](ByteView text, std::optional<char> only) {
    Run longest;
    Run run;
    for (std::size_t i = 0; i < text.size(); ++i) {
      if (run.size == 0 || text[i] != run.of) run = {text[i], i, 0};
      ++run.size;
      if (run.size > longest.size && (!only || *only == run.of)) longest = run;
    }
    return longest;
  };
  for (std::size_t i = 0; i < c.seen.commands.size(); ++i) {
    const Bytes reply = ReplyTo(c.seen, i).bytes;
    const Run whole = longest_run(reply, std::nullopt);
    if (whole.size < 16) continue;
    for (const OutputLine& line : c.NewLines()) {
      const Run shown = longest_run(line.text, whole.of);
      if (shown.size < 4 || shown.size >= whole.size) continue;
      // It may show another reply, all of it.
      bool of_another = false;
      for (std::size_t k = 0; k < c.seen.commands.size(); ++k)
        of_another =
            of_another || longest_run(ReplyTo(c.seen, k).bytes, whole.of).size == shown.size;
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

}  // namespace trial
