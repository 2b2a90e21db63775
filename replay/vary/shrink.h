// Makes a broken combination smaller: the fewest variations, one reply instead of all, one place
// instead of many, the smallest pause or number that still breaks it.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "replay/vary/plan.h"

namespace trial {

struct Shrunk {
  Combination smallest;
  std::vector<std::string> steps;  // in words, in order
  std::size_t runs = 0;
};

// `breaks` runs one combination and tells whether it still breaks; it is called at most `most_runs`
// times. `failing` is known to break. The result breaks too. `exact`: times are kept to, as in
// virtual time; else a length of time is left somewhat larger than the least that broke it.
// Deterministic.
Shrunk Shrink(const Part& part, const Combination& failing, std::size_t most_runs,
              const std::function<bool(const Combination& combination)>& breaks,
              bool exact = false);

}  // namespace trial
