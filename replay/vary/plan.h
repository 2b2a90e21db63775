// Which variations are put on together, in which order. Deterministic: the same wishes make the
// same plan on every machine.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "replay/vary/variation.h"

namespace trial {

// Put on together in one trial; without the plain ones. Empty: as recorded.
using Combination = std::vector<Variation>;

// "ending=none split=bytes"; "as recorded" if empty.
std::string CombinationName(const Combination& combination);

enum class Combine : std::uint8_t { kOneAtATime = 1, kPairs = 2, kAll = 3, kRandom = 4 };

// One factor and the levels to try, the plain one among them or not: it is always tried.
struct FactorLevels {
  std::string factor;
  std::vector<Variation> levels;
};

// Reads "ending=none,crlf", "split" (the usual levels) and adds to `wishes`. A comma parts levels;
// one inside a level is written \x2c. "split=each:35ms" becomes every place within the longest
// reply.
witness::Status AddWish(std::string_view text, const Part& part, std::vector<FactorLevels>& wishes);

// The factors that are tried if nothing is named.
std::vector<FactorLevels> UsualWishes();

struct PlanOptions {
  Combine combine = Combine::kOneAtATime;
  std::uint32_t random = 20;  // how many, with kRandom
  std::uint64_t seed = 1;
  std::size_t most = 100'000;  // larger plans are refused
};

// Without the baseline, which is always run. No combination occurs twice.
witness::Result<std::vector<Combination>> MakePlan(const std::vector<FactorLevels>& wishes,
                                                   const PlanOptions& options);

}  // namespace trial
