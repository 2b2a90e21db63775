// Takes one Block message (capture.proto) apart into events.
//
// Every "must" of FORMAT.md is checked before the first event is given, so that nothing is
// delivered of a block that is wrong. Events of kinds that a newer minor version added are passed
// over. Not thread-safe.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/event.h"
#include "capture/store/limits.h"

namespace witness {

class BlockDecoder {
 public:
  // `block` is the message's content and must stay as it is while events are taken.
  // An error (kDamaged) says what is wrong; nothing can be taken then.
  Status Open(ByteView block);

  // Of a block that leaves out where it begins (has_place() is false): to be called before
  // anything else, with where the block before it ended.
  void ContinueAt(std::uint64_t first_event, Instant base);

  bool has_place() const { return has_place_; }
  std::uint64_t seq() const { return seq_; }
  std::uint64_t first_event() const { return first_event_; }
  std::uint64_t events() const { return times_.size(); }
  std::uint64_t payload_bytes() const { return payload_bytes_; }  // of bytes and bad bytes
  Instant base() const { return Instant::FromNanoseconds(base_ns_); }
  // Time of the last event.
  Instant last() const { return base() + Duration::Nanoseconds(length_ns_); }

  std::uint64_t taken() const { return taken_; }

  // False: all events were taken. Views in `event` point into the block.
  bool Next(Event& event) {
    if (run_left_ == 0 && !NextRun()) return false;
    --run_left_;
    time_ += times_[taken_];
    const std::uint32_t size = sizes_[taken_];
    ++taken_;
    event = Event{};
    event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(time_));
    event.kind = lane_->kind;
    event.side = lane_->side;
    event.bytes = ByteView(data_at_, size);
    data_at_ += size;
    if (lane_->rare) FillRare(event);
    return true;
  }

 private:
  static constexpr std::size_t kColumns = 12;

  struct Lane {
    EventKind kind = EventKind::kBytes;
    Side side = Side::kUnknown;
    bool rare = false;     // has more than bytes
    bool foreign = false;  // of a kind that a newer minor version knows: passed over
    bool has_columns = false;
    std::uint64_t events = 0;
    std::uint64_t heads = 0;  // runs
    std::size_t begin = 0;    // of this lane in the lane-wise arrays
    std::size_t taken = 0;    // events given; of rare lanes only
    std::array<std::vector<std::uint64_t>, kColumns> columns;
  };

  bool NextRun();
  void PassRun();
  void FillRare(Event& event);
  Status ParseRuns(ByteView bytes);
  Status ParseLane(ByteView bytes, Lane& lane);
  Status CheckRuns();
  Status CheckTotals();
  void PutInCaptureOrder();

  std::uint64_t seq_ = 0;
  bool has_place_ = false;
  std::uint64_t first_event_ = 0;
  std::int64_t base_ns_ = 0;
  std::int64_t length_ns_ = 0;
  std::uint64_t payload_bytes_ = 0;
  ByteView data_;

  std::vector<Lane> lanes_;  // kept for their memory; the first lane_count_ count
  std::size_t lane_count_ = 0;
  std::vector<std::uint32_t> runs_;
  // Of all events in capture order.
  std::vector<std::uint64_t> times_;
  std::vector<std::uint32_t> sizes_;
  // Lane by lane, as in the file.
  std::vector<std::uint64_t> lane_times_;
  std::vector<std::uint32_t> lane_sizes_;

  std::size_t taken_ = 0;
  std::size_t run_ = 0;
  std::uint64_t run_left_ = 0;
  Lane* lane_ = nullptr;
  const char* data_at_ = nullptr;
  std::uint64_t time_ = 0;
};

}  // namespace witness
