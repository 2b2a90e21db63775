// Compares a trial with the baseline. Pure: observations in, verdict out.
#pragma once

#include "capture/base/result.h"
#include "replay/judge/output.h"
#include "replay/judge/steadiness.h"
#include "replay/judge/verdict.h"
#include "replay/subject/observations.h"
#include "replay/vary/variation.h"

namespace trial {

// One wait behind a reply that is longer by this than in the baseline, by the subject's own doing,
// is slow. Shorter than a usual read timeout (1000 ms in the AVR core's Stream.h), longer than the
// silence after which a program that copes takes a reply without line ending for complete.
inline constexpr Duration kSlowWait = Duration::Milliseconds(300);
// Shorter waits are no fault however many there are: how many, says how long a conversation is, and
// nothing of who reads it.

// Our own sends later than this make a trial that did not hold no contest.
inline constexpr Duration kLateSend = Duration::Milliseconds(50);

// What a divergence says of an exception that nobody caught.
inline constexpr char kUnhandledError[] = "an error that it does not handle";

inline constexpr char kAnotherCommand[] = "sent another command";
inline constexpr char kLineMissing[] = "did not print a line";

class Judge {
 public:
  // kInvalidArgument: a pattern of the demands is wrong.
  static witness::Result<Judge> Create(const Demands& demands);

  // Whether the baseline is fit to be compared with: held or no contest.
  Verdict OfBaseline(const Observations& baseline) const;

  Verdict OfTrial(const Observations& baseline, const Observations& trial,
                  const Expectation& expectation, const Steadiness& steadiness = {}) const;

  // We played the host: whether the module answers as in the recording. `asks`: what was to be sent
  // and expected.
  Verdict OfModule(const std::vector<Ask>& asks, const Observations& seen) const;

  const Demands& demands() const { return demands_; }
  std::vector<OutputLine> Lines(const Observations& observations) const;

 private:
  explicit Judge(const Demands& demands) : demands_(demands) {}
  std::optional<Verdict> AgainstDemands(const Observations& seen) const;

  Demands demands_;
  Patterns ignore_;
  Patterns must_say_;
  Patterns must_not_say_;
};

// When the last byte of the answer to command `index` (from 0) was sent; when it was taken if there
// was no answer.
Instant AnswerEnd(const Observations& observations, std::size_t index);

// When the subject went on behind the answer to command `index`: its next command or its end. A
// board never ends, and how long it was watched says nothing: with the last that it printed.
Instant WentOn(const Observations& observations, std::size_t index);

// How long the subject did nothing behind the answer to command `index`, until it went on.
Duration WaitBehind(const Observations& observations, std::size_t index);

// The first `count` commands and what was printed up to the next one.
Observations CutBehind(Observations observations, std::size_t count);

// The worst lateness of our own sends.
Duration WorstSend(const Observations& observations);

}  // namespace trial
