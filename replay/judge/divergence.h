// The first thing in which a trial differs from its baseline: commands, output. Only for judge.cc.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "replay/judge/output.h"
#include "replay/judge/steadiness.h"
#include "replay/judge/verdict.h"
#include "replay/subject/observations.h"
#include "replay/vary/variation.h"

namespace trial {

// "exit status 2", "ended by signal SIGSEGV".
std::string EndingWords(const Observations& seen);

// How many commands had begun by `at`.
std::uint32_t CommandsBefore(const Observations& seen, Instant at);

std::optional<Divergence> CompareCommands(const Observations& base, const Observations& seen,
                                          const Steadiness& steadiness);

std::optional<Divergence> CompareOutput(const std::vector<OutputLine>& base,
                                        const std::vector<OutputLine>& got,
                                        const Expectation& expectation,
                                        const Steadiness& steadiness, const Observations& of_base,
                                        const Observations& seen);

// What was shown of a reply that is now longer has to be shown in its new length.
std::optional<Divergence> CompareGrown(const std::vector<OutputLine>& base,
                                       const std::vector<OutputLine>& got,
                                       const std::vector<Grown>& all, const Observations& seen);

// What is said of a reply that is now longer and still says the same (a figure with zeros in front)
// has to be the same, but for figures. Of a reply whose text has become another one nothing is
// demanded: a program may rightly say that it doesn't know it.
std::optional<Divergence> CompareWords(const std::vector<OutputLine>& base,
                                       const std::vector<OutputLine>& got,
                                       const std::vector<Grown>& all, const Observations& of_base,
                                       const Observations& seen);

}  // namespace trial
