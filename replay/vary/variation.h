// Variations: changed ways of giving the same replies. Each is a pure function from a part to a
// part, so the varied part can be printed, saved, diffed and played without the variation.
//
// Written "FACTOR=LEVEL", for one reply only "FACTOR=LEVEL@N" (N: the reply's number, see
// NumberReplies), for what the module says unasked only "FACTOR=LEVEL@unasked": "ending=none",
// "split=3:35ms", "loss=none@2", "ending=cr@unasked".
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/result.h"
#include "replay/part/part.h"

namespace trial {

// In place of a reply's number: the unsolicited lines and banners of the part, and no reply.
inline constexpr std::uint32_t kUnaskedOnly = 0xFFFF'FFFF;

struct Variation {
  std::string factor;
  std::string level;
  std::uint32_t reply = 0;  // 0: all that is said; kUnaskedOnly

  bool operator==(const Variation&) const = default;
  std::string Name() const;
  // As recorded: changes nothing.
  bool Plain() const { return level == "recorded"; }
};

// Text that the baseline showed and that has become longer.
struct Grown {
  Bytes before;
  Bytes after;
  bool same_value = false;  // a number with zeros in front: may also be shown as before
  bool operator==(const Grown&) const = default;
};

// What may be demanded of a subject that is given the varied part.
struct Expectation {
  bool same_commands = true;
  bool same_output = true;
  bool ignore_case = false;    // in the output
  bool same_ending = true;     // exit status
  std::vector<Grown> grown{};  // what was shown before has to be shown in its new length
  // Texts that the module says besides. Lines with one of them in it may be printed besides those
  // of before: to tell of an unsolicited line is no fault, to take it for the reply is one.
  std::vector<Bytes> added{};
  bool echoed = false;  // the commands come back: such a text too
  // The replies have other line endings: so may what is printed of them.
  bool other_endings = false;
  // All `same_` false: it has to end in time, without crashing.
  bool operator==(const Expectation&) const = default;
  // What holds for both.
  Expectation With(const Expectation& other) const;
};

struct VariationContext {
  std::uint64_t seed = 1;      // for what is drawn: same seed, same part
  const Part* with = nullptr;  // the part that "with" takes its answers from
  // In the baseline, by the reply's number: how long after a command was taken the next one began.
  std::map<std::uint32_t, Duration> next_command{};
  // In the baseline, by the reply's number: how long the subject did nothing behind that reply
  // before it went on to its next command, at least.
  std::map<std::uint32_t, Duration> quiet_behind{};
  bool on_wire = false;  // bytes take their time to come
};

struct Varied {
  Part part;
  Expectation expectation;
  std::vector<std::string> notes;  // "no text, left as recorded: reply 3"
  bool changed = false;
};

// A factor that can be varied, for --help and plans.
struct Factor {
  std::string name;
  std::string levels;              // in words, for people
  std::vector<std::string> usual;  // levels tried if none is named; "recorded" is left out
  bool by_itself = false;          // tried if the person names no factor at all
  bool waveform = false;           // only where a wire is modelled: --sketch
  bool unasked = false;            // "@unasked" may be said of it
};
const std::vector<Factor>& Factors();

// kInvalidArgument: unknown factor or level; says which there are.
witness::Result<Variation> ParseVariation(std::string_view text);

// Puts `variations` on, in the order of Factors(), whatever order they are given in.
witness::Result<Varied> Vary(const Part& part, const std::vector<Variation>& variations,
                             const VariationContext& context);

// Gives every answer of every rule a number: its turn if it has one, else the next free one.
// Variations for one reply and reports count so.
Part NumberReplies(Part part);

}  // namespace trial
