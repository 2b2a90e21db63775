// Puts an echo behind what it echoes.
//
// Two ports have two clocks of lateness: within the stamp uncertainty the module's echo may be
// stamped before the host's own byte. Nothing echoes what has not been said, so where a burst of
// the module goes on exactly as a burst of the host that is stamped up to that much later, the
// host's is taken first. All other bursts stay in the order of their stamps. What reads a port may
// itself be late: kReaderLate is granted on top.
#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "capture/examine/tape.h"

namespace witness {

class EchoOrder {
 public:
  using Sink = std::function<void(const TapeItem& item)>;
  // Zero: everything is passed on as it comes.
  explicit EchoOrder(Duration uncertainty)
      : uncertainty_(uncertainty > Duration::Zero() ? uncertainty + kReaderLate : uncertainty) {}

  // Whether everything is passed on as it comes, and nothing was taken before its turn.
  bool is_off() const { return uncertainty_ <= Duration::Zero() && ahead_.empty(); }
  void TurnOff() { uncertainty_ = Duration::Zero(); }

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

  Duration uncertainty_;
  Bytes not_echoed_;                // what the host said since, bounded
  std::vector<std::size_t> ahead_;  // host items taken before their turn, ascending
};

}  // namespace witness
