// Puts events into the columns of one Block message (capture.proto).
//
// Not thread-safe. Keeps nothing of an event but a copy of its bytes.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/store/event.h"
#include "capture/store/limits.h"

namespace witness {

class BlockBuilder {
 public:
  BlockBuilder();

  bool empty() const { return events_ == 0; }
  std::uint64_t events() const { return events_; }
  // About how large the message will be.
  std::size_t raw_size() const { return data_.size() + events_ * 5 + extra_; }

  // False: all lanes are taken by other kinds and sides; begin a new block.
  // `event.at` must not be before the last event's, nor before `base` of Start.
  bool Add(const Event& event);

  // The time that the first event counts from. Only while empty.
  void Start(Instant base);

  // Appends the message's bytes to `out` and begins anew with an empty block whose base is the
  // last event's time. `continues`: the block will follow the one before in the same frame and
  // leaves out what follows from it. If `borders` is given, it gets the places in `out` where the
  // statistics of the bytes change: a compressor does well to begin a new table there.
  void Finish(std::uint64_t seq, std::uint64_t first_event, bool continues, Bytes& out,
              std::vector<std::size_t>* borders = nullptr);

 private:
  struct Lane {
    EventKind kind = EventKind::kBytes;
    Side side = Side::kUnknown;
    std::vector<std::uint64_t> head_times;  // of each run's first event
    std::vector<std::uint32_t> head_sizes;
    std::vector<std::uint64_t> times;  // of all others
    std::vector<std::uint32_t> sizes;
    std::uint64_t any_time = 0;  // all times OR-ed: tells which columns are not all zeros
    std::uint32_t any_size = 0;
    std::array<std::vector<std::uint64_t>, 12> columns;  // fields 16 to 27
  };

  int LaneOf(EventKind kind, Side side);
  void AddRare(Lane& lane, const Event& event);
  void CloseRun();
  void Clear();
  static void AppendLane(const Lane& lane, bool columns, Bytes& out,
                         std::vector<std::size_t>* borders);

  Instant base_;
  Instant last_;
  std::uint64_t events_ = 0;
  std::size_t extra_ = 0;
  std::array<std::int8_t, 8 * 4> lane_of_{};  // by kind and side; -1: none yet
  std::vector<Lane> lanes_;                   // kept for their memory; the first lane_count_ count
  std::size_t lane_count_ = 0;
  int run_lane_ = -1;
  std::uint64_t run_length_ = 0;
  Bytes runs_;
  // In capture order, for the short form; no longer filled where the block is too long for it.
  std::vector<std::uint64_t> times_;
  std::vector<std::uint32_t> sizes_;
  Bytes data_;
};

}  // namespace witness
