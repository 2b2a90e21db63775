// Takes one Block message (capture.proto) apart into events.
//
// Every "must" of FORMAT.md is checked before the first event is given, so that nothing is
// delivered of a block that is wrong. Events of kinds that a newer minor version added are passed
// over. Not thread-safe.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/event.h"
#include "capture/store/event_batch.h"
#include "capture/store/limits.h"

namespace witness {

// What there is to know of a block before its events are taken.
struct BlockFacts {
  std::uint64_t seq = 0;
  bool has_place = false;  // else the next two are 0
  std::uint64_t first_event = 0;
  std::int64_t base_ns = 0;
  std::int64_t length_ns = 0;
  std::uint64_t events = 0;
  std::uint64_t payload_bytes = 0;  // of bytes and bad bytes
};

class BlockDecoder {
 public:
  // So many events at a time that they stay in the nearest cache.
  static constexpr std::size_t kBatch = 512;

  // `block` is the message's content and must stay as it is while events are taken.
  // An error (kDamaged) says what is wrong; nothing can be taken then.
  Status Open(ByteView block);

  // Events may be made on another thread, ahead of being wanted. There, right behind Open():
  // whether all are such that BriefEvent says all of them; and if so, the next ones, kBatch at a
  // time as long as there is room for so many. How many.
  bool all_brief() const { return all_brief_; }
  const BlockFacts& facts() const { return facts_; }
  std::size_t Make(std::span<BriefEvent> out);
  // Here: in place of Open(), and then the events that were made, part by part, each once those
  // before it were taken. They are changed, and must stay where they are while they are taken.
  void Adopt(const BlockFacts& facts);
  bool WantsMore() const {
    return adopted_ && made_taken_ == made_.size() && taken_ < facts_.events;
  }
  void AdoptMore(std::span<BriefEvent> made);

  // Of a block that leaves out where it begins (has_place() is false): to be called before
  // anything else, with where the block before it ended.
  void ContinueAt(std::uint64_t first_event, Instant base);

  bool has_place() const { return facts_.has_place; }
  std::uint64_t seq() const { return facts_.seq; }
  std::uint64_t first_event() const { return facts_.first_event; }
  std::uint64_t events() const { return facts_.events; }
  std::uint64_t payload_bytes() const { return facts_.payload_bytes; }
  Instant base() const { return Instant::FromNanoseconds(facts_.base_ns); }
  // Time of the last event.
  Instant last() const { return base() + Duration::Nanoseconds(facts_.length_ns); }

  // Of the events that NextBatch() went by those that were not given, since they are of unknown
  // kinds.
  std::uint64_t passed_over() const { return passed_over_; }

  // False: all events were taken. What `batch` points to is the decoder's and the block's; the
  // decoder's is valid until the next call.
  bool NextBatch(EventBatch& batch);

 private:
  static constexpr std::size_t kColumns = 12;

  struct Lane {
    EventKind kind = EventKind::kBytes;
    Side side = Side::kUnknown;
    bool foreign = false;  // of a kind that a newer minor version knows: passed over
    std::uint64_t events = 0;
    std::array<ByteView, 8> time_columns;
    std::array<ByteView, 3> size_columns;
    std::array<ByteView, kColumns> columns;  // packed varints; what is left of them
  };

  // The first events of a lane's runs, or all its others: numbers that stand in one piece of its
  // columns. Some are joined from their columns ahead of being needed, into JoinedTimes() and so
  // on.
  struct Stream {
    const Lane* lane = nullptr;
    std::size_t next = 0;  // place in the columns of what is to be joined next
    std::size_t end = 0;
    std::uint32_t at = 0;    // among what is joined: the next to be taken
    std::uint32_t have = 0;  // so many are joined
  };
  static constexpr std::size_t kJoined = 2 * kBatch;

  Status ParseRuns(ByteView bytes);
  Status ParseLane(ByteView bytes, Lane& lane);
  Status CheckRuns();
  Status CheckLongForm();
  Status CheckShortForm();
  void FillAhead();
  std::size_t Select();
  std::size_t SelectOne();
  void PassRun();
  template <bool kHigh>
  void TakeFromStreams(std::size_t count, BriefEvent* to);
  void TakeSelected(std::size_t count, BriefEvent* to);  // from wherever this block keeps them
  void TakeFromLists(std::size_t count, BriefEvent* to);
  void FillDetails(Lane& lane, const BriefEvent& brief);

  BlockFacts facts_;
  ByteView data_;

  std::array<Lane, kMaxLanes> lanes_;  // the first lane_count_ count
  std::size_t lane_count_ = 0;
  std::vector<std::uint32_t> runs_;
  bool all_brief_ = false;  // no lane is foreign or has details
  bool short_form_ = false;
  // Short form: of all events in capture order.
  std::vector<std::uint64_t> times_;
  std::vector<std::uint32_t> sizes_;
  // Long form. Stream 2 n holds the first events of the runs of lane n, 2 n + 1 the others.
  std::array<Stream, 2 * kMaxLanes> streams_;
  std::vector<std::uint32_t> low_times_;  // kJoined for each stream
  std::vector<std::uint32_t> high_times_;
  std::vector<std::uint32_t> stream_sizes_;
  bool high_ = false;  // some time needs more than 32 bits

  bool adopted_ = false;
  std::span<BriefEvent> made_;  // if adopted_
  std::size_t made_taken_ = 0;
  Duration shift_;  // of their times

  // What was taken.
  std::size_t taken_ = 0;
  std::uint64_t passed_over_ = 0;
  std::size_t run_ = 0;         // of runs_: the next
  std::uint64_t run_left_ = 0;  // of the one before
  std::uint64_t time_ = 0;
  const char* data_at_ = nullptr;

  // The batch that was given.
  std::array<std::uint8_t, kBatch + 32> selected_;  // of each event its stream
  std::array<BriefEvent, kBatch> briefs_;
  Event details_;
};

}  // namespace witness
