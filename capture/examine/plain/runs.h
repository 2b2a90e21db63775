// Where runs of events begin: what one side says without a pause to speak of.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>

#include "capture/store/event_batch.h"

namespace witness {

// Where the run ends that begins at `at`, which is one of the events; 0: in an event that is no
// bytes, or none, or has the stamp of the one before it. `silence` in nanoseconds.
inline std::size_t EndOfRun(std::span<const BriefEvent> events, std::size_t at,
                            std::int64_t silence) {
  const BriefEvent* const first = events.data() + at;
  const BriefEvent* const end = events.data() + events.size();
  const BriefEvent* event = first;
  std::int64_t last = 0;
  do {
    if (event->kind != EventKind::kBytes || event->size == 0) return 0;
    last = event->at.ns();
    if (++event == end || event->side != first->side) break;
    if (event->at.ns() == last) return 0;
  } while (event->at.ns() - last <= silence);
  return static_cast<std::size_t>(event - events.data());
}

// The same for many in one go, without a decision for each event that a processor could guess
// wrongly. What it says is valid as long as the events are.
class Runs {
 public:
  static constexpr std::size_t kMost = 194;

  // From `at` on, which is one of the events: as many as there are, or kEnough at least.
  void Find(std::span<const BriefEvent> events, std::size_t at, std::int64_t silence) {
    const BriefEvent* event = events.data() + at;
    const BriefEvent* const end = events.data() + events.size();
    stopped_ = IsOdd(*event);
    count_ = 0;
    begins_[count_++] = event++;
    // One event begins one run at most.
    while (event != end && count_ < kEnough && !stopped_) {
      const auto most = std::min(end - event, static_cast<std::ptrdiff_t>(kMost - count_));
      if (Add(event, event + most, silence)) {
        StopAtOdd(event, event + most);
        return;
      }
      event += most;
    }
    to_end_ = event == end;
  }

  // Where they begin. All but the last are whole.
  std::span<const BriefEvent* const> begins() const { return {begins_.data(), count_}; }
  // Whether they end before an event that is no bytes, or none, or has the stamp of another.
  bool stopped() const { return stopped_; }
  // Whether they are all there are, if not stopped().
  bool to_end() const { return to_end_; }

 private:
  static constexpr std::size_t kEnough = 32;

  static bool IsOdd(const BriefEvent& event) {
    return event.kind != EventKind::kBytes || event.size == 0;
  }

  // True: some are odd, or have the stamp of another.
  bool Add(const BriefEvent* event, const BriefEvent* end, std::int64_t silence) {
    // Times do not decrease, and sizes are small: what is negative, or has its highest bit set, is
    // so since it was zero.
    std::int64_t no_times = 0;
    std::uint32_t no_sizes = 0;
    unsigned kinds = static_cast<unsigned>(EventKind::kBytes);
    static_assert(static_cast<unsigned>(EventKind::kBytes) == 0);
    std::size_t count = count_;
    std::int64_t last = event[-1].at.ns();
    Side side = event[-1].side;
    for (; event != end; ++event) {
      const std::int64_t idle = event->at.ns() - last;
      no_times |= idle - 1;
      no_sizes |= event->size - 1;
      kinds |= static_cast<unsigned>(event->kind);
      begins_[count] = event;
      count += static_cast<std::size_t>(event->side != side) |
               static_cast<std::size_t>(silence - idle) >> (8 * sizeof idle - 1);
      last = event->at.ns();
      side = event->side;
    }
    count_ = count;
    return no_times < 0 || no_sizes >> 31 != 0 || kinds != 0;
  }

  void StopAtOdd(const BriefEvent* event, const BriefEvent* end) {
    while (event != end && !IsOdd(*event) && event->at != event[-1].at) ++event;
    stopped_ = true;
    while (begins_[count_ - 1] >= event) --count_;
  }

  std::array<const BriefEvent*, kMost + 1> begins_;
  std::size_t count_ = 0;
  bool stopped_ = false, to_end_ = false;
};

}  // namespace witness
