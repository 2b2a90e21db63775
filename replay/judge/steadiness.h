// What a subject says otherwise from run to run although it is given the same replies: a counter,
// the time of day, a process number. Found out by two runs as recorded; not compared afterwards.
#pragma once

#include <string>
#include <vector>

#include "replay/judge/clock_lines.h"
#include "replay/judge/output.h"

namespace trial {

class Steadiness {
 public:
  // Everything is steady.
  Steadiness() = default;

  // Two runs that did alike (see Alike): all in which they differ is loose.
  Steadiness(const Observations& first, const std::vector<OutputLine>& first_lines,
             const Observations& second, const std::vector<OutputLine>& second_lines);

  struct Run {
    const Observations* seen = nullptr;
    std::vector<OutputLine> lines;
  };
  // Any number of runs that did alike. What all but one of many say alike is steady, and the one
  // was a slip; see Sure() and Usual().
  explicit Steadiness(const std::vector<Run>& runs);
  // False: whether something is loose or one run slipped can't be told from so few.
  bool Sure() const { return sure_; }
  // The first of the runs that slipped nowhere.
  std::size_t Usual() const { return usual_; }

  // Two runs in virtual time, the second one with every reply a little later and watched for longer
  // (see clock_lines.h). What else differs between the two is no way of the subject's and stays
  // compared.
  static Steadiness ByTheClock(const Observations& first,
                               const std::vector<OutputLine>& first_lines,
                               const Observations& later,
                               const std::vector<OutputLine>& later_lines);

  // Two runs sent as many commands, printed as many lines, and ended alike.
  static bool Alike(const Observations& first, const std::vector<OutputLine>& first_lines,
                    const Observations& second, const std::vector<OutputLine>& second_lines);

  // Whether command `index` (from 0) may say anything.
  bool LooseCommand(std::size_t index) const;

  // Whether `got` says the same as line `index` (from 0) of the first run, `line`, but for words
  // that may be any.
  bool SameLine(std::size_t index, const OutputLine& line, const OutputLine& got,
                bool ignore_case) const;

  // Without lines that are printed by the clock. The indices of SameLine count these.
  std::vector<OutputLine> Compared(const std::vector<OutputLine>& lines) const {
    return clock_.Without(lines);
  }

  // "command 2 and 3 printed words differ from run to run"; empty: all is steady.
  std::string Words() const;

 private:
  struct Line {
    bool whole = false;       // all of it may differ
    std::vector<bool> words;  // or these words
  };
  // Marks each place in which the values of all runs are not steady. Slips are noted in `slipped`.
  bool Loose(const std::vector<Bytes>& values, std::vector<bool>& slipped);

  bool sure_ = true;
  std::size_t usual_ = 0;
  std::vector<bool> commands_;
  std::vector<Line> lines_;
  ClockLines clock_;
};

}  // namespace trial
