// Two conversations side by side: exchanges aligned by their commands, and what differs in each.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "capture/examine/conversation.h"

namespace witness {

struct Difference {
  enum class Kind { kOnlyInFirst, kOnlyInSecond, kChanged };
  Kind kind = Kind::kChanged;
  std::optional<std::size_t> first;   // index into the exchanges of the first conversation
  std::optional<std::size_t> second;  // of the second
  std::vector<std::string> what;      // in words, safe to print
};

struct Comparison {
  std::size_t same = 0;
  std::vector<Difference> differences;  // in the order of the conversations
};

struct CompareOptions {
  bool timing = false;  // turnarounds that differ by more than half count too
  bool pieces = false;  // the number of pieces of a reply counts too
};

// Commands are matched without their endings; where one was inserted or left out, what follows is
// aligned all the same (longest common sequence of commands).
Comparison Compare(const WholeConversation& first, const WholeConversation& second,
                   const CompareOptions& options);

}  // namespace witness
