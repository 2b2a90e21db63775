// Puts an echo or an answer behind what it answers.
//
// Two ports have two clocks of lateness: within the stamp uncertainty what the module says may be
// stamped before the host's own bytes. Nothing echoes what has not been said, so where a burst of
// the module goes on exactly as a burst of the host that is stamped up to that much later, the
// host's is taken first. The same is done where the module breaks a silence so shortly before the
// host does, if its answers come as soon as that: it hardly spoke by itself just then. All other
// bursts stay in the order of their stamps. What reads a port may itself be late: kReaderLate is
// granted on top.
#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/tape.h"

namespace witness {

class EchoOrder {
 public:
  using Sink = std::function<void(const TapeItem& item)>;
  // No uncertainty: everything is passed on as it comes. Before Follow() all may be an echo, and
  // nothing an early answer.
  EchoOrder(Duration uncertainty, Duration character_time)
      : uncertainty_(uncertainty > Duration::Zero() ? uncertainty + kReaderLate : uncertainty),
        character_time_(character_time) {}

  // Knows the ways of the line from now on; they must outlive it. An echo is looked for in any case
  // if `any_echo`.
  void Follow(const Conventions& conventions, bool any_echo);

  // Whether everything is passed on as it comes, and nothing was taken before its turn.
  bool is_off() const { return !echoes_ && !answers_ && ahead_.empty(); }

  // Hands on items of `tape` from `from` on, as far as nothing stamped `now` or later can come
  // before them. Returns the index of the first that has to wait. The same tape goes on, or its
  // first items were dropped: then Dropped() has to be told.
  std::size_t Run(const Tape& tape, std::size_t from, Instant now, const Sink& sink);
  void Dropped(std::size_t items);

 private:
  static constexpr Duration kReaderLate = Duration::Milliseconds(2);  // common practice, no source

  // Whether the module's item has to wait for one of the host, and whether that may still come.
  enum class Turn { kNow, kAfterHost, kUnknown };
  Turn TurnOf(const Tape& tape, std::size_t at, Instant now, std::size_t& host_item);

  // Whether the module, silent until then as the host was, may answer what is stamped later.
  bool MayBeEarly(const Tape& tape, const TapeItem& item) const;
  // Takes the command that begins within the uncertainty behind the item, if there is one.
  void TakeCommand(const Tape& tape, std::size_t at, const Sink& sink);
  void TakeAhead(const Tape& tape, std::size_t item, const Sink& sink);

  Duration uncertainty_, character_time_;
  bool echoes_ = true, answers_ = false;
  const Conventions* conventions_ = nullptr;
  bool anybody_ = false;
  Instant last_;                    // stamp of the last bytes handed on
  Bytes not_echoed_;                // what the host said since, bounded
  std::vector<std::size_t> ahead_;  // host items taken before their turn, ascending
};

}  // namespace witness
