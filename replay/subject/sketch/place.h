// Where in the sketch the processor is, in words a person knows from the source.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <unordered_map>
#include <vector>

#include "replay/subject/sketch/board.h"

namespace trial {

// Functions from the one that runs to main(), as far as the stack tells: return addresses are
// found by looking for values that point behind a call instruction to a function's start.
std::vector<const ElfSymbol*> CallChain(const Board& board);

struct Place {
  std::string function;  // what a person would say the sketch is in: "delay"; empty: not known
  std::string caller;    // the function that called it: "loop"
  bool operator==(const Place&) const = default;
};

// Leaves out what says nothing about why the sketch is there: interrupt handlers, the compiler's
// helpers, the clock's reading, the calls that only look whether a byte has come.
Place PlaceOf(const std::vector<const ElfSymbol*>& chain);

// Gives places small numbers, equal places the same one.
class Places {
 public:
  std::uint32_t At(const Board& board);  // 0: not known
  // Whether the sketch was looking for a byte (available(), read(), ...) at the last At().
  bool looking() const { return looking_; }
  const Place& operator[](std::uint32_t id) const { return places_[id]; }
  const std::vector<Place>& all() const { return places_; }

 private:
  struct Kind {
    bool says_nothing = false;
    bool looks_for_a_byte = false;
  };
  Kind KindOf(const ElfSymbol* symbol);

  bool looking_ = false;
  std::unordered_map<const ElfSymbol*, Kind> kinds_;  // names are looked at once
  std::vector<Place> places_{Place{}};
  std::map<std::pair<const ElfSymbol*, const ElfSymbol*>, std::uint32_t> ids_;
};

}  // namespace trial
