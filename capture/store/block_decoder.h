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
  std::uint64_t events() const { return events_; }
  std::uint64_t payload_bytes() const { return payload_bytes_; }  // of bytes and bad bytes
  Instant base() const { return Instant::FromNanoseconds(base_ns_); }
  // Time of the last event.
  Instant last() const { return base() + Duration::Nanoseconds(length_ns_); }

  std::uint64_t taken() const { return taken_ - span_left_; }
  // Of the events taken those that were not given, since they are of unknown kinds.
  std::uint64_t passed_over() const { return passed_over_; }

  // False: all events were taken. Views in `event` point into the block.
  bool Next(Event& event) {
    if (span_left_ == 0 && !NextSpan()) return false;
    --span_left_;
    time_ += *span_times_++;
    const std::uint32_t size = *span_sizes_++;
    // Details are those of the event before, if it was given into the same place: mostly none.
    if (&event != plain_ || event.kind > EventKind::kBreak) ClearDetails(event);
    plain_ = &event;
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
  struct Lane;

  static constexpr std::size_t kStreamEvents = 256;

  // Times and sizes out of byte columns, a few at a time, so that they stay in the nearest cache.
  struct Stream {
    std::uint32_t at = 0;
    std::uint32_t have = 0;
    std::size_t next = 0;  // place in the columns of what comes behind times[have]
    std::size_t end = 0;
    const Lane* lane = nullptr;
    std::array<std::uint64_t, kStreamEvents> times;
    std::array<std::uint32_t, kStreamEvents> sizes;
  };

  struct Lane {
    EventKind kind = EventKind::kBytes;
    Side side = Side::kUnknown;
    bool rare = false;     // has more than bytes
    bool foreign = false;  // of a kind that a newer minor version knows: passed over
    std::uint64_t events = 0;
    std::size_t taken = 0;  // events given; of rare lanes only
    std::array<ByteView, 8> time_columns;
    std::array<ByteView, 3> size_columns;
    Stream head;  // first events of runs
    Stream rest;
    std::array<std::vector<std::uint64_t>, kColumns> columns;
  };

  // All but what Next() sets. Field by field: `event = Event{}` becomes an instruction that takes
  // longer than all the rest of Next().
  static void ClearDetails(Event& event) {
    event.lines = 0;
    event.changed = 0;
    event.counts.framing = 0;
    event.counts.parity = 0;
    event.counts.overrun = 0;
    event.counts.buffer_overrun = 0;
    event.counts.breaks = 0;
    event.name = std::string_view();
    event.level = 0;
    event.gap.reason = GapReason::kUnspecified;
    event.gap.length = Duration::Zero();
    event.gap.bytes_lost = 0;
    event.gap.events_lost = 0;
  }
  bool NextSpan();
  bool NextRun();
  void PassRun();
  void FillRare(Event& event);
  Status ParseRuns(ByteView bytes);
  Status ParseLane(ByteView bytes, Lane& lane);
  Status CheckRuns();
  Status CheckLongForm();
  Status CheckShortForm();
  static void Refill(Stream& stream);
  static bool IsPayload(const Lane& lane);

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
  std::uint64_t events_ = 0;
  bool short_form_ = false;
  // Short form: of all events in capture order.
  std::vector<std::uint64_t> times_;
  std::vector<std::uint32_t> sizes_;

  const Event* plain_ = nullptr;  // where Next() gave the last event
  // What is next, of one lane, as times and sizes.
  std::size_t span_left_ = 0;
  const std::uint64_t* span_times_ = nullptr;
  const std::uint32_t* span_sizes_ = nullptr;
  std::size_t taken_ = 0;  // with the span
  std::uint64_t passed_over_ = 0;
  std::size_t run_ = 0;
  std::uint64_t run_left_ = 0;  // behind the span
  Lane* lane_ = nullptr;
  Stream* stream_ = nullptr;
  const char* data_at_ = nullptr;
  std::uint64_t time_ = 0;
};

}  // namespace witness
