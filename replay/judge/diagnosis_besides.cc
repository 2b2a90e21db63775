// Rules about what comes besides the reply: echo, banner, unsolicited line, what was left over.
#include <algorithm>

#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"
#include "replay/part/cue.h"

namespace trial {

using witness::FormatDuration;
using witness::SafeText;
using witness::SafeTextWithEnding;

namespace {

struct Sort {
  const char* factor;
  const char* prefix;
  const char* name;
  const char* what;
};

constexpr Sort kSorts[] = {
    {"extra", "banner", "takes-banner", "the banner"},
    {"extra", "leftover", "takes-leftover", "what was left of the last reply"},
    {"extra", "", "takes-unsolicited", "the unsolicited line"},
    {"echo", "", "takes-echo", "the echo"},
};

const Sort* SortOf(const Variation& variation) {
  for (const Sort& sort : kSorts)
    if (variation.factor == sort.factor && variation.level.starts_with(sort.prefix) &&
        variation.level != "off")
      return &sort;
  return nullptr;
}

bool InWord(char c) {
  return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
         (c != ' ' && std::string_view("+=?").find(c) != std::string_view::npos);
}

// How often a text stands in a line by itself, and not as a part of a longer word.
std::size_t Count(ByteView line, ByteView text) {
  std::size_t count = 0;
  for (std::size_t at = line.find(text); at != ByteView::npos; at = line.find(text, at + 1)) {
    const std::size_t end = at + text.size();
    const bool begins = at == 0 || !InWord(line[at - 1]) || !InWord(text.front());
    const bool ends = end == line.size() || !InWord(line[end]) || !InWord(text.back());
    count += begins && ends ? 1 : 0;
  }
  return count;
}

// Whether a line of output shows that a text came from the line: more of it than the program says
// in the same place by itself, and nothing that it says without that factor, too.
bool ShowsMore(const Case& c, const std::string& factor, const OutputLine& line, ByteView text) {
  std::size_t usual = 0;
  const auto before = c.judge.Lines(c.base);
  const auto now = c.judge.Lines(c.seen);
  for (std::size_t i = 0; i < now.size() && i < before.size(); ++i)
    if (now[i].compared == line.compared) usual = Count(before[i].text, text);
  if (Count(line.text, text) <= usual) return false;
  return std::none_of(c.others.begin(), c.others.end(), [&](const TrialResult& other) {
    if (std::any_of(other.combination.begin(), other.combination.end(),
                    [&](const Variation& v) { return v.factor == factor; }))
      return false;
    const auto lines = c.judge.Lines(other.observations);
    return std::any_of(lines.begin(), lines.end(),
                       [&](const OutputLine& l) { return l.compared == line.compared; });
  });
}

// The last send until then that is an echo, or that one of `texts` is in.
const Said* LastOf(const Case& c, const std::vector<Bytes>& texts, bool echo, Instant until) {
  const Said* last = nullptr;
  for (const Said& said : c.seen.said) {
    if (said.sent > until) break;
    if ((said.send.sort == SaidSort::kEcho) != echo) continue;
    if (echo || std::any_of(texts.begin(), texts.end(), [&](const Bytes& text) {
          return said.send.bytes.find(text) != Bytes::npos;
        }))
      last = &said;
  }
  return last;
}

// What of it is meant: an answer and what is left over of it may be sent in the same breath.
Bytes Meant(const Said& said, const std::vector<Bytes>& texts) {
  const Bytes all = WithoutEndings(said.send.bytes);
  for (const Bytes& text : texts)
    if (said.send.sort != SaidSort::kEcho && all.ends_with(text)) return text;
  return all;
}

// Where a module takes commands after a silence: got the echo, and said or did the next thing
// before the module had taken the command.
std::optional<std::string> GoesOnBeforeTaken(const Case& c) {
  for (std::size_t i = 0; i <= c.seen.commands.size() && i < c.base.commands.size(); ++i) {
    const Bytes& asked = c.base.commands[i].bytes;
    const bool inside = i < c.seen.commands.size();
    const Bytes& got = inside ? c.seen.commands[i].bytes : c.seen.unfinished;
    if (!got.starts_with(asked) || (inside && got.size() == asked.size())) continue;
    if (!inside && c.seen.ending == SubjectEnding::kOutOfTime) return std::nullopt;
    const auto echo = std::find_if(c.seen.said.begin(), c.seen.said.end(), [&](const Said& said) {
      return said.send.sort == SaidSort::kEcho && said.send.command == i + 1;
    });
    if (echo == c.seen.said.end()) return std::nullopt;
    return SafeText(WithoutEndings(echo->send.bytes)) + " came back " + At(echo->sent) + ", and " +
           (got.size() > asked.size() ? "it sent " + SafeText(got.substr(asked.size()))
                                      : "it ended " + At(c.seen.ended)) +
           " before the module had taken the command as ended";
  }
  return std::nullopt;
}

// It had been said before the command, and lay there when the command came: to take that for the
// reply is another fault than to take what comes in its place.
std::optional<Diagnosis> TookFromBefore(const Case& c, std::size_t command, const Said& other,
                                        std::string_view sort) {
  const TakenCommand& asked = c.seen.commands[command];
  if (sort != std::string_view("takes-unsolicited") || command == 0 ||
      other.sent >= asked.from - Duration::Milliseconds(10))
    return std::nullopt;
  // A program may read on at once behind its command, so that nothing lies there any more.
  const bool lay = std::any_of(c.seen.remarks.begin(), c.seen.remarks.end(), [&](const Remark& r) {
    return r.kind == "unread" && r.count > 0 && r.at >= other.sent && r.at <= asked.taken;
  });
  if (!lay) return std::nullopt;
  return Diagnosis{
      "takes-leftover",
      "took what had come before its command for the reply: it does not clear what is there "
      "before it asks",
      {SafeText(WithoutEndings(other.send.bytes)) + " was sent " + At(other.sent) + ", " +
           FormatDuration(asked.from - other.sent) + " before " + CommandWords(c.seen, command) +
           " came, and was not read by then",
       "it " + c.trial.verdict.divergence->what + ": " + c.trial.verdict.divergence->got}};
}

}  // namespace

// Took something else for the reply. What shows it: it printed it; or it went on when that had come
// and the reply had not; or it had the reply, whole and as ever, with that besides, and did not
// find it.
std::optional<Diagnosis> TakesAnotherForTheReply(const Case& c) {
  for (const Variation& variation : c.trial.combination) {
    const Sort* sort = SortOf(variation);
    if (sort == nullptr) continue;
    const bool echo = variation.factor == "echo";
    std::vector<Bytes> texts = c.trial.expectation.added;
    if (echo)
      for (const TakenCommand& command : c.seen.commands)
        texts.push_back(WithoutEndings(command.bytes));
    std::erase_if(texts, [](const Bytes& text) { return text.size() < 2; });
    Diagnosis d{sort->name, "took " + std::string(sort->what) + " for the reply", {}};
    // A program that stops shows its own lines, too.
    if (c.trial.verdict.divergence->what != kUnhandledError)
      for (const OutputLine& line : c.NewLines())
        for (const Bytes& text : texts)
          if (d.evidence.empty() && ShowsMore(c, variation.factor, line, text))
            d.evidence.push_back("it printed " + SafeText(line.text) + ", which holds " +
                                 SafeText(text));
    if (!d.evidence.empty()) return d;

    if (c.trial.combination.size() != 1) return std::nullopt;
    if (echo)
      if (auto sooner = GoesOnBeforeTaken(c)) {
        d.evidence = {*sooner};
        return d;
      }
    const auto culprit = c.Culprit();
    if (!culprit) return std::nullopt;
    const auto count = std::min(c.base.commands.size(), c.seen.commands.size());
    // A print is read with some delay: it may lie right behind the next command.
    for (std::size_t i = 0; i <= *culprit + 1 && i < count; ++i) {
      const bool last = i + 1 >= c.seen.commands.size();
      if (last && c.seen.ending == SubjectEnding::kOutOfTime) break;
      const Instant on = last ? c.seen.ended : c.seen.commands[i + 1].from;
      const Said* other = LastOf(c, texts, echo, on);
      const Bytes wanted = WithoutEndings(OwnReply(c.base, i));
      if (other == nullptr || wanted.empty()) continue;
      Bytes before;
      for (const Said& said : c.seen.said)
        if (said.send.command == i + 1 && said.sent <= on && said.send.sort != SaidSort::kEcho &&
            said.send.sort != SaidSort::kUnasked)
          before += said.send.bytes;
      const std::size_t line = wanted.find_last_of("\r\n");
      const Bytes last_line = line == Bytes::npos ? wanted : wanted.substr(line + 1);
      if (before.find(last_line) != Bytes::npos) continue;
      d.evidence = {SafeText(Meant(*other, texts)) + " was sent " + At(other->sent) + ", and " +
                    (last ? "it ended " : "its next command came ") +
                    FormatDuration(on - other->sent) + " later, when " +
                    (before.empty()
                         ? "no byte of the reply to " + CommandWords(c.seen, i) + " had been sent"
                         : "of the reply to " + CommandWords(c.seen, i) + " only " +
                               SafeTextWithEnding(before) + " had been sent")};
      return d;
    }
    const Bytes wanted = WithoutEndings(OwnReply(c.base, *culprit));
    const Bytes now = OwnReply(c.seen, *culprit);
    const Instant end = AnswerEnd(c.seen, *culprit);
    // What came behind the first difference is no reason for it. A print is read with some delay.
    const Said* other = LastOf(
        c, texts, echo, c.seen.virtual_time ? std::min(end, c.trial.verdict.divergence->at) : end);
    if (other == nullptr) other = LastOf(c, texts, echo, end);
    if (other == nullptr) return std::nullopt;
    // Put into the middle of a reply, it stands between lines that are as ever.
    std::size_t from = 0;
    for (std::size_t at = 0; at < wanted.size() && from != Bytes::npos;) {
      std::size_t stop = wanted.find_first_of("\r\n", at);
      if (stop == Bytes::npos) stop = wanted.size();
      if (stop > at) from = now.find(wanted.substr(at, stop - at), from);
      at = stop + 1;
    }
    if (from == Bytes::npos) return std::nullopt;
    d.words = "does not tell " + std::string(sort->what) + " from the reply";
    if (auto left = TookFromBefore(c, *culprit, *other, sort->name)) return left;
    d.evidence = {
        "the reply to " + CommandWords(c.seen, *culprit) + " came whole, with all its lines " +
            At(end) + "; besides it there was " + SafeText(Meant(*other, texts)) + ", sent " +
            At(other->sent),
        "it " + c.trial.verdict.divergence->what + ": " + c.trial.verdict.divergence->got};
    return d;
  }
  return std::nullopt;
}

// Has always had an echo, and does not do without.
std::optional<Diagnosis> CountsOnEcho(const Case& c) {
  const auto& all = c.trial.combination;
  if (all.size() != 1 || all[0].factor != "echo") return std::nullopt;
  // Sends a character when the one before has come back.
  const std::size_t begun = c.seen.commands.size();
  if (!c.seen.unfinished.empty() && begun < c.base.commands.size() &&
      c.base.commands[begun].bytes.starts_with(c.seen.unfinished) &&
      c.seen.unfinished.size() < WithoutEnding(c.base.commands[begun].bytes).size())
    return Diagnosis{"counts-on-echo",
                     "waits for the echo of each character before it sends the next",
                     {"of " + CommandWords(c.base, begun) + " it sent " +
                      SafeText(c.seen.unfinished) + " and no more, when the echo did not come"}};
  if (all[0].level != "off") return std::nullopt;
  const auto culprit = c.Culprit();
  if (!culprit || *culprit >= c.base.commands.size()) return std::nullopt;
  const Bytes now = OwnReply(c.seen, *culprit);
  const bool echoed = std::any_of(c.base.said.begin(), c.base.said.end(), [&](const Said& said) {
    return said.send.sort == SaidSort::kEcho && said.send.command == *culprit + 1;
  });
  if (!echoed || now.empty() || now != OwnReply(c.base, *culprit)) return std::nullopt;
  Diagnosis d;
  d.name = "counts-on-echo";
  d.words = "counts on the echo of its command: without one it does not find the reply";
  d.evidence = {"the reply to " + CommandWords(c.seen, *culprit) + " came whole and as ever, " +
                    SafeTextWithEnding(now) + ", but without an echo before it",
                "it " + c.trial.verdict.divergence->what + ": " + c.trial.verdict.divergence->got};
  // The beginning of the reply is missing, as long as the echo was.
  for (std::size_t i = 0; i <= *culprit; ++i) {
    const Bytes reply = WithoutEndings(OwnReply(c.seen, i));
    const std::size_t longest = c.seen.commands[i].bytes.size();
    const std::size_t shortest = WithoutEnding(c.seen.commands[i].bytes).size();
    for (std::size_t cut = shortest; cut <= longest; ++cut) {
      if (cut < 2 || cut + 2 >= reply.size()) continue;
      const std::size_t stop = reply.find_first_of("\r\n", cut);
      const Bytes rest = reply.substr(cut, stop == Bytes::npos ? stop : stop - cut);
      const Bytes more = reply.substr(cut - 1, rest.size() + 1);
      for (const OutputLine& line : c.NewLines()) {
        if (rest.size() < 3 || line.text.find(rest) == Bytes::npos ||
            line.text.find(more) != Bytes::npos)
          continue;
        d.words = "counts on the echo of its command: it skips as many bytes, whatever they are";
        d.evidence.push_back("it printed " + SafeText(line.text) + ": the first " +
                             std::to_string(cut) + " bytes of the reply to " +
                             CommandWords(c.seen, i) + " are missing, as many as the command has");
        return d;
      }
    }
  }
  return d;
}

}  // namespace trial
