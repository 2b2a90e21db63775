// Lines that a subject prints by the clock, whatever it is told: a sign of life each second. They
// come sooner or later in a conversation that takes longer, and more or fewer of them: that is no
// fault.
//
// Found out by a run in virtual time that is watched for some seconds longer: what still comes at
// even intervals long after the last reply was not waiting for one. (A line that comes at the same
// moment whenever the reply came proves nothing: a sketch may listen for a fixed time and then tell
// what it heard.)
#pragma once

#include <map>
#include <set>
#include <vector>

#include "replay/judge/output.h"

namespace trial {

class ClockLines {
 public:
  // None.
  ClockLines() = default;

  // `later`: the run whose replies came later, watched for longer than `first`. Times are virtual.
  ClockLines(const Observations& first, const Observations& later,
             const std::vector<OutputLine>& later_lines);

  bool empty() const { return sorts_.empty(); }
  std::vector<OutputLine> Without(const std::vector<OutputLine>& lines) const;

 private:
  // Lines that are alike but for their numbers.
  struct Sort {
    std::vector<bool> counts;  // these numbers grow from line to line: they may be any
    std::set<Bytes> seen;      // what the others were, joined
  };
  bool Has(const OutputLine& line) const;

  std::map<Bytes, Sort> sorts_;
};

// The same lines, but for numbers that are larger in `later`: stamps of time. Neither more nor
// fewer.
bool OnlyStampsGrew(const std::vector<OutputLine>& first, const std::vector<OutputLine>& later);

// How much later each reply comes in the second run: less than any wait that a sketch may rely on,
// more than what two runs of one sketch differ by otherwise.
inline constexpr Duration kALittleLater = Duration::Milliseconds(7);

}  // namespace trial
