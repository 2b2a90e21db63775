#include "replay/judge/diagnosis.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "capture/base/text.h"
#include "replay/judge/inside.h"
#include "replay/part/cue.h"

namespace trial {
namespace {

using witness::FormatDuration;
using witness::FormatInstant;
using witness::SafeText;
using witness::SafeTextWithEnding;

// A wait that is longer than this by comparison with the baseline is no accident.
constexpr Duration kLongWait = Duration::Milliseconds(60);

struct Reply {
  Bytes bytes;        // all that was sent for one command, echo left out
  Instant begin;      // first byte sent
  Instant first_due;  // when the first piece was to be sent
  Instant last_due;   // when the last piece was to be sent
  Instant end;
  std::size_t pieces = 0;
  Instant second;  // when the second piece was sent
};

Reply ReplyTo(const Observations& o, std::size_t index) {
  Reply reply;
  for (const Said& said : o.said) {
    if (said.send.command != index + 1 || said.send.sort == SaidSort::kEcho) continue;
    if (reply.pieces == 0) reply.begin = said.sent;
    if (reply.pieces == 0) reply.first_due = said.send.due;
    if (reply.pieces == 1) reply.second = said.sent;
    reply.bytes += said.send.bytes;
    reply.last_due = said.send.due;
    reply.end = said.sent;
    ++reply.pieces;
  }
  return reply;
}

Bytes WithoutEndings(ByteView bytes) {
  const std::size_t first = bytes.find_first_not_of("\r\n");
  if (first == ByteView::npos) return "";
  return Bytes(bytes.substr(first, bytes.find_last_not_of("\r\n") + 1 - first));
}

// No CR and LF at all: whether two replies differ in their line endings only.
Bytes Bare(Bytes bytes) {
  std::erase_if(bytes, [](char c) { return c == '\r' || c == '\n'; });
  return bytes;
}

bool SameTextOtherEndings(const Bytes& a, const Bytes& b) { return a != b && Bare(a) == Bare(b); }

bool BrokeOrSlow(const TrialResult& trial) {
  return trial.verdict.kind == VerdictKind::kBroke || trial.verdict.kind == VerdictKind::kSlow;
}

// What the rules look at.
struct Case {
  const TrialResult& baseline;
  const TrialResult& trial;
  const std::vector<TrialResult>& others;
  const Judge& judge;
  const Observations& base;
  const Observations& seen;

  // The command whose reply came before the first difference, from 0; none: before any.
  std::optional<std::size_t> Culprit() const {
    const std::size_t count = std::min(base.commands.size(), seen.commands.size());
    if (!trial.verdict.divergence || seen.commands.empty()) return std::nullopt;
    std::size_t n = 0;
    while (n < seen.commands.size() && seen.commands[n].from < trial.verdict.divergence->at) ++n;
    if (n == 0) return std::nullopt;
    return std::min(n, std::max<std::size_t>(count, 1)) - 1;
  }
  // A trial of this session with this one variation and nothing else.
  const TrialResult* Other(const std::string& name) const {
    for (const TrialResult& other : others)
      if (other.combination.size() == 1 && other.combination[0].Name() == name) return &other;
    return nullptr;
  }
  bool Varies(const std::string& factor) const {
    return std::any_of(trial.combination.begin(), trial.combination.end(),
                       [&](const Variation& v) { return v.factor == factor; });
  }
  // Lines of output that the baseline does not have.
  std::vector<OutputLine> NewLines() const {
    std::vector<OutputLine> fresh;
    const auto before = judge.Lines(base);
    for (OutputLine& line : judge.Lines(seen))
      if (std::none_of(before.begin(), before.end(),
                       [&](const OutputLine& b) { return b.compared == line.compared; }))
        fresh.push_back(std::move(line));
    return fresh;
  }
};

std::string At(Instant t) { return "at " + FormatInstant(t) + " s"; }

std::string CommandWords(const Observations& o, std::size_t index) {
  return "command " + std::to_string(index + 1) + " (" +
         SafeText(WithoutEnding(o.commands[index].bytes)) + ")";
}

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

// How many bytes the module was going to say to command `index`.
std::size_t PlannedSize(const TrialResult& trial, std::size_t index) {
  const TakenCommand& command = trial.observations.commands[index];
  const Part& part = trial.played;
  const auto size = [](const Answer& answer) { return JoinPieces(answer.pieces).size(); };
  if (command.rule < 0 || command.rule >= static_cast<int>(part.rules.size()))
    return part.unknown ? size(*part.unknown) : 0;
  for (const Answer& answer : part.rules[static_cast<std::size_t>(command.rule)].answers)
    if (answer.turn == command.turn) return size(answer);
  return 0;
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

// What was seen inside an emulated board.
std::optional<Diagnosis> ShownInside(const Case& c) {
  auto fault = InsideFault(c.base, c.seen, c.trial.verdict.divergence);
  // It was sending while the rest of a reply came because it took the beginning for all of it.
  if (fault && fault->name == "sends-while-receiving")
    if (auto early = ReadsTooEarly(c); early && early->name == "reads-too-early") {
      early->evidence.push_back(fault->words);
      return early;
    }
  return fault;
}

// An emulated board that hangs or crashes and nothing else tells why.
std::optional<Diagnosis> EndsBadly(const Case& c) {
  if (c.seen.ending_words.empty()) return std::nullopt;
  if (c.seen.ending == SubjectEnding::kHung) return Diagnosis{"hangs", c.seen.ending_words, {}};
  if (c.seen.ending == SubjectEnding::kCrashed)
    return Diagnosis{"crashes", c.seen.ending_words, {}};
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

std::optional<Diagnosis> Spins(const Case& c) {
  const Duration length = c.seen.ended - Instant();
  if (length < Duration::Milliseconds(300) || c.seen.cpu_time < length * 8 / 10)
    return std::nullopt;
  if (c.seen.virtual_time) return std::nullopt;
  return Diagnosis{"spins",
                   "spends the processor's time while it waits: it asks again and again",
                   {"used " + FormatDuration(c.seen.cpu_time) + " of processor time in " +
                    FormatDuration(length)}};
}

}  // namespace

std::vector<Diagnosis> Diagnose(const TrialResult& baseline, const TrialResult& trial,
                                const std::vector<TrialResult>& others, const Judge& judge) {
  std::vector<Diagnosis> all;
  if (!trial.verdict.divergence) return all;
  const Case c{baseline, trial, others, judge, baseline.observations, trial.observations};
  // Strongest evidence first; a rule behind is asked only if those before found nothing.
  for (const auto rule :
       {CannotDecode, ShownInside, CutsLongReply, Hangs, TakesAnotherForTheReply, SpeaksBeforeReply,
        ReadsTooEarly, TakesAPiece, WaitsForLineEnding, KeepsLineEnding, ComparesCase, EndsBadly}) {
    if (auto found = rule(c)) {
      AddInsideEvidence(c.base, c.seen, *found);
      all.push_back(std::move(*found));
      break;
    }
  }
  if (auto found = Spins(c)) all.push_back(std::move(*found));
  return all;
}

std::vector<Combination> WantedBesides(const TrialResult& trial,
                                       const std::vector<TrialResult>& others) {
  std::vector<Combination> wanted;
  if (trial.verdict.diagnoses.empty() || trial.verdict.diagnoses[0].name != "waits-for-line-ending")
    return wanted;
  for (const char* level : {"cr", "lf"}) {
    const Combination combination = {{"ending", level, 0}};
    if (std::none_of(others.begin(), others.end(),
                     [&](const TrialResult& other) { return other.combination == combination; }))
      wanted.push_back(combination);
  }
  return wanted;
}

std::vector<Diagnosis> DiagnoseBaseline(const TrialResult& baseline, const Part& part) {
  std::vector<Diagnosis> all;
  const Observations& seen = baseline.observations;
  const auto knows = [&](ByteView command) { return KnowsText(part, command); };
  std::string expected;
  for (const Bytes& terminator : part.command_end.terminators)
    expected += (expected.empty() ? "" : " or ") + SafeText(terminator);
  if (expected.empty()) expected = "silence alone";
  Bytes wrong = seen.unfinished;
  for (const TakenCommand& command : seen.commands)
    if (wrong.empty() && !command.known && knows(command.bytes)) wrong = command.bytes;
  const bool ending = !wrong.empty() && knows(wrong);
  for (Diagnosis& fault : Faults(seen))
    // Who speaks at a wrong rate is not understood either: that comes first.
    if (!ending || fault.name == "wrong-rate") all.push_back(std::move(fault));
  if (ending)
    all.push_back({"wrong-command-ending",
                   "ends its commands in a way that this module does not take",
                   {"it sent " + SafeTextWithEnding(wrong) + "; the module's commands end with " +
                    expected}});
  return all;
}

}  // namespace trial
