// What the rules of a diagnosis look at: one trial, its baseline, and the trials beside it. Only
// for the diagnosis_*.cc files.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "replay/judge/judge.h"
#include "replay/judge/trials.h"

namespace trial {

// A wait that is longer than this by comparison with the baseline is no accident: the longer, the
// busier the machine was, by what it did to the subject and to our own sends.
Duration LongWait(const Observations& o);

// What was said to one command.
struct Reply {
  Bytes bytes;        // all that was sent for one command, echo left out
  Instant begin;      // first byte sent
  Instant first_due;  // when the first piece was to be sent
  Instant last_due;   // when the last piece was to be sent
  Instant end;
  std::size_t pieces = 0;
  Instant second;  // when the second piece was sent
};

// To command `index`, from 0.
Reply ReplyTo(const Observations& o, std::size_t index);

// All that was sent as the answer to command `index`, from 0: no echo, no unsolicited line.
Bytes OwnReply(const Observations& o, std::size_t index);

// Without line endings at both ends.
Bytes WithoutEndings(ByteView bytes);

// Whether two replies differ in their line endings only.
bool SameTextOtherEndings(const Bytes& a, const Bytes& b);

bool BrokeOrSlow(const TrialResult& trial);

// All that a variation of these factors changes is when and in which pieces bytes come.
struct Case;
bool OnlyTimes(const Case& c);

struct Case {
  const TrialResult& baseline;
  const TrialResult& trial;
  const std::vector<TrialResult>& others;
  const Judge& judge;
  const Observations& base;
  const Observations& seen;

  // The command whose reply came before the first difference, from 0; none: before any.
  std::optional<std::size_t> Culprit() const;
  // A trial of this session with this one variation and nothing else; null: there is none.
  const TrialResult* Other(const std::string& name) const;
  bool Varies(const std::string& factor) const;
  // Nothing was demanded of the trial but to end in time without crashing.
  bool ToCopeOnly() const;
  // The last command up to the first difference whose reply has other bytes than in the baseline,
  // from 0.
  std::optional<std::size_t> ChangedReply() const;
  // Lines of output that the baseline does not have.
  std::vector<OutputLine> NewLines() const;
};

// How many bytes the module was going to say to command `index`.
std::size_t PlannedSize(const TrialResult& trial, std::size_t index);

// "1 s" of 1.013 s.
std::string AboutWords(Duration wait);

// "at 1.250000 s", "command 2 (AT+FW?)".
std::string At(Instant t);
std::string CommandWords(const Observations& o, std::size_t index);

}  // namespace trial
