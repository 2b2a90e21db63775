// The words of the findings, and which of them weigh most.
#include <algorithm>

#include "capture/base/text.h"
#include "capture/examine/findings.h"

namespace witness {
namespace {

struct Words {
  const char* name;
  const char* title;
  const char* consequence;
  const char* advice;
};

// In the order of weight: what makes all else doubtful comes first.
constexpr Words kWords[] = {
    {"no-answer", "The module never answered: a line may be crossed or missing",
     "Nothing else can be said of it.",
     "Check power and ground, swap TX and RX (they cross over: TX to RX), try other rates and "
     "command endings; `bytewitness survey` tries them in turn."},
    {"only-echo", "All that came back was the command itself: it may be your own line",
     "What was sent is read back, and the module may never have heard it.",
     "See whether TX and RX touch, or both ends are on one wire; take the module off: if the echo "
     "stays, it is the wiring. If it goes, the module echoes and answers nothing."},
    {"sides-swapped", "Host and module look swapped",
     "Commands are taken for answers, and each time and ending below is of the wrong side.",
     "Swap the two taps (or which one is named --side host), and record again; else the lines are "
     "crossed twice."},
    {"wrong-rate", "What the module says looks like the wrong rate",
     "Every reply is rubbish and no comparison can match.",
     "Record again at the rate that fits; if none is named here, 9600 is the usual factory rate "
     "(common practice), and `bytewitness survey` tries the others."},
    {"lost-bytes", "Bytes were lost", "What is missing may be the end of a reply or a whole one.",
     "Do not judge the module by the places marked as gaps; record again with less load, or at a "
     "lower rate, or with flow control."},
    {"bytes-with-errors", "Bytes came with framing or parity errors",
     "Those bytes may be others than were sent, and a sketch is not told.",
     "See that grounds are joined and both sides use the same rate and format; a rate that is 2 to "
     "5 % off gives now and then a wrong byte."},
    {"command-in-data-mode", "A command was sent while the module was in a data session",
     "The far side got it as data, and the module never acted on it.",
     "Leave data mode first (the escape sequence +++ with a pause before and after, V.250 6.2.9 "
     "and S2, S12 of the module's data sheet)."},
    {"command-before-reply-ended", "A command was sent before the last reply had ended",
     "Its answer is read as the rest of the one before, or the module ignores it.",
     "Read until the reply is complete (its result code, or a silence), then send."},
    {"half-answer", "An answer broke off where it went on at other times",
     "A sketch that waits for the rest waits for its whole timeout.",
     "Have a timeout, and treat what came as no answer."},
    {"unanswered", "Commands went unanswered",
     "A sketch that waits for a reply waits for its whole timeout.",
     "See whether the module knows the command, wants another ending, or says nothing on purpose."},
    {"cr-in-value", "The module took the CR for a part of the value",
     "The name or key now ends with an invisible character and matches nothing.",
     "Send this command without an ending (the module takes it after a silence), and set the value "
     "anew."},
    {"mixed-endings", "Replies do not all end alike",
     "A sketch that waits for one ending hangs on the others, or keeps a CR at the end of a word.",
     "Read until a silence or until either CR or LF, and drop both from the ends before "
     "comparing."},
    {"reply-without-ending", "Replies end without CR or LF",
     "A read until LF costs the whole timeout each time (1000 ms by default in the common core's "
     "Stream).",
     "Take a reply as complete after a silence, not at a line ending."},
    {"reply-in-pieces", "Replies come in pieces",
     "A sketch that reads once gets the first piece, and the rest is taken for the next reply.",
     "Collect until the reply is complete: its last line, or a silence longer than the longest "
     "pause."},
    {"unasked-in-reply", "The module speaks unasked inside its replies",
     "The line is taken for the answer.",
     "Look at each line on its own, and set aside those that nobody asked for."},
    {"echo-on", "The module echoes commands",
     "The first thing read after a command is the command itself.",
     "Switch the echo off (ATE0 where V.250 is spoken, 6.2.4) or skip as many bytes as were sent."},
    {"more-than-the-buffer", "Replies are longer than a small receive buffer",
     "If the sketch is busy while one comes, its end is lost and nothing says so.",
     "Read while it comes in, ask for less at a time, or enlarge the buffer."},
    {"speaks-unasked", "The module speaks unasked",
     "Such a line may be waiting when the next reply is read.",
     "Read and sort out what is there before each command."},
    {"breaks", "Breaks came in",
     "A break is a line held low for longer than a character: a sketch reads it as a NUL or not at "
     "all, and some modules reset or wake on one.",
     "If nobody sends them on purpose, look for a loose wire, a sender without power, or a rate "
     "far "
     "below the one that is set."},
    {"lines-changed", "Modem lines changed",
     "RTS and CTS may hold a sender up, and many boards reset when DTR or RTS changes.",
     "If a board restarts at these places, use --hold-lines; if bytes stop there, it is flow "
     "control (--flow rts-cts)."},
    {"secret", "The capture holds what looks like a secret",
     "Whoever gets the capture gets it too: a key opens, an address or a position tells who and "
     "where.",
     "Replace it before the capture is shown to anybody: `bytewitness redact --found`. What a "
     "module calls by a name of its own is not found here: `--value-of`, `--pattern`."},
};

}  // namespace

void FindingCollector::SetWords(const Examination& so_far) {
  if (so_far.reply_endings.kinds() > 1) {
    Finding& finding = found_["mixed-endings"];
    const EndingTally& tally = so_far.reply_endings;
    finding.name = "mixed-endings";
    finding.count = tally.texts();
    const auto add = [&](std::uint64_t n, const char* what) {
      if (n == 0) return;
      if (!finding.detail.empty()) finding.detail += ", ";
      finding.detail += std::to_string(n) + " with " + what;
    };
    add(tally.none, "none");
    add(tally.cr, "CR");
    add(tally.lf, "LF");
    add(tally.cr_lf, "CR LF");
  }
  WiringRules(so_far);
  const auto swapped = found_.find("sides-swapped");
  if (swapped != found_.end() && swapped->second.detail.empty()) found_.erase(swapped);
  if (!so_far.conventions.both_sides()) {
    found_.erase("unanswered");  // nobody listened for an answer
    if (module_bytes_ == 0) found_.erase("command-in-data-mode");
  }
  if (gaps_ + counts_.overrun + counts_.buffer_overrun > 0) {
    Finding& finding = found_["lost-bytes"];
    finding.name = "lost-bytes";
    finding.count = gaps_ + counts_.overrun + counts_.buffer_overrun;
    finding.detail = std::to_string(gaps_) + " gaps, " +
                     std::to_string(counts_.overrun + counts_.buffer_overrun) + " overruns counted";
    if (gap_bytes_ > 0)
      finding.detail += ", at least " + std::to_string(gap_bytes_) + " bytes missing";
  }
  for (auto& [name, finding] : found_) {
    if (!finding.detail.empty()) continue;
    finding.detail = finding.count == 1 ? "once" : std::to_string(finding.count) + " times";
    if (name == "secret") {
      finding.detail.clear();
      for (std::size_t kind = 0; kind < kSecretKinds; ++kind) {
        const std::uint64_t n = secret_counts_[kind];
        if (n == 0) continue;
        if (!finding.detail.empty()) finding.detail += ", ";
        const char* const what = SecretKindName(static_cast<SecretKind>(kind));
        finding.detail +=
            std::string(what) + " " + std::to_string(n) + (n == 1 ? " time" : " times");
      }
    }
    if (name == "reply-in-pieces")
      finding.detail += ", with pauses of up to " + FormatDuration(longest_pause_);
    if (name == "reply-without-ending" && so_far.reply_endings.texts() > 0)
      finding.detail = std::to_string(finding.count) + " of " +
                       std::to_string(so_far.exchanges - so_far.unanswered) + " answers";
    if (name == "more-than-the-buffer") {
      finding.detail += ", the largest " + std::to_string(so_far.buffer.largest_reply) +
                        " bytes against " + std::to_string(buffer_size_);
      if (so_far.buffer.fills_after > Duration::Zero())
        finding.detail += "; the buffer is full after " +
                          FormatDuration(so_far.buffer.fills_after) + " of not reading";
    }
  }
}

std::vector<Finding> FindingCollector::Finish(const Examination& so_far) {
  lately_.clear();
  RateRules();
  SetWords(so_far);
  std::vector<Finding> out;
  for (const Words& words : kWords) {
    const auto found = found_.find(words.name);
    if (found == found_.end()) continue;
    Finding finding = found->second;
    finding.title = words.title;
    finding.consequence = words.consequence;
    finding.advice = words.advice;
    out.push_back(std::move(finding));
  }
  return out;
}

}  // namespace witness
