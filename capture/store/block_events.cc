// The second half of BlockDecoder: events out of a block that was found right.
#include <algorithm>
#include <cstring>

#include "capture/store/block_decoder.h"
#include "capture/store/columns.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

// The next of a column of packed varints that was checked; 0 if there is no column.
std::uint64_t TakeVarint(ByteView& column) {
  std::uint64_t value = 0;
  if (column.empty()) return value;
  WireCursor cursor(column);
  static_cast<void>(cursor.Varint(value));
  column.remove_prefix(column.size() - cursor.left());
  return value;
}

}  // namespace

void BlockDecoder::Adopt(const BlockFacts& facts) {
  facts_ = facts;
  adopted_ = true;
  made_ = {};
  made_taken_ = 0;
  shift_ = Duration::Zero();
  taken_ = 0;
  passed_over_ = 0;
}

void BlockDecoder::AdoptMore(std::span<BriefEvent> made) {
  made_ = made;
  made_taken_ = 0;
  if (shift_ == Duration::Zero()) return;
  for (BriefEvent& event : made_) event.at = event.at + shift_;
}

std::size_t BlockDecoder::Make(std::span<BriefEvent> out) {
  std::size_t made = 0;
  while (out.size() - made >= kBatch) {
    const std::size_t count = Select();
    if (count == 0) break;
    TakeSelected(count, out.data() + made);
    made += count;
  }
  return made;
}

bool BlockDecoder::NextBatch(EventBatch& batch) {
  if (adopted_) {
    const std::size_t count = std::min(kBatch, made_.size() - made_taken_);
    batch.first = facts_.first_event + taken_;
    batch.events = made_.subspan(made_taken_, count);
    batch.details = nullptr;
    made_taken_ += count;
    taken_ += count;
    batch.goes_on = taken_ < facts_.events;
    return count > 0;
  }
  const std::size_t count = all_brief_ ? Select() : SelectOne();
  if (count == 0) return false;
  batch.first = facts_.first_event + taken_;
  TakeSelected(count, briefs_.data());
  batch.events = {briefs_.data(), count};
  batch.details = nullptr;
  batch.goes_on = all_brief_ && taken_ < facts_.events;
  if (HasDetails(briefs_[0].kind)) {
    FillDetails(lanes_[selected_[0] >> 1], briefs_[0]);
    batch.details = &details_;
  }
  return true;
}

// Says of the next events in which stream each lies. Gives how many these are.
std::size_t BlockDecoder::Select() {
  std::uint8_t* to = selected_.data();
  std::uint8_t* const end = to + kBatch;
  // Not the members: what is written is bytes, which might be those.
  const std::uint32_t* run = runs_.data() + run_;
  const std::uint32_t* const runs_end = runs_.data() + runs_.size();
  std::uint64_t left = run_left_;
  const auto repeat = [&](std::uint8_t stream) {
    const auto count = static_cast<std::size_t>(
        std::min<std::uint64_t>(left, static_cast<std::uint64_t>(end - to)));
    std::memset(to, stream, count);
    to += count;
    left -= count;
  };
  if (left > 0) repeat(static_cast<std::uint8_t>((run[-1] & 15) * 2 + 1));
  while (to < end && run != runs_end) {
    const auto head = static_cast<std::uint8_t>((*run & 15) * 2);
    left = (*run++ >> 4) - 1;
    *to++ = head;
    // Most runs are short: what is written too much is written over by the next, or lies in the
    // room behind `end`.
    if (left <= 16 && left <= static_cast<std::uint64_t>(end - to)) [[likely]] {
      std::memset(to, head + 1, 16);
      to += left;
      left = 0;
    } else {
      repeat(head + 1);
    }
  }
  run_ = static_cast<std::size_t>(run - runs_.data());
  run_left_ = left;
  return static_cast<std::size_t>(to - selected_.data());
}

// The same for blocks that hold events of all kinds: those of one run, or one that has details.
std::size_t BlockDecoder::SelectOne() {
  while (run_left_ == 0) {
    if (run_ == runs_.size()) return 0;
    const std::uint32_t run = runs_[run_++];
    run_left_ = run >> 4;
    if (lanes_[run & 15].foreign) PassRun();
  }
  const std::uint32_t run = runs_[run_ - 1];
  const std::size_t lane = run & 15;
  const bool begins = run_left_ == run >> 4;
  const auto count = HasDetails(lanes_[lane].kind)
                         ? std::size_t{1}
                         : static_cast<std::size_t>(std::min<std::uint64_t>(run_left_, kBatch));
  std::memset(selected_.data(), static_cast<int>(2 * lane + 1), count);
  if (begins) selected_[0] = static_cast<std::uint8_t>(2 * lane);
  run_left_ -= count;
  return count;
}

void BlockDecoder::TakeSelected(std::size_t count, BriefEvent* to) {
  if (short_form_) {
    TakeFromLists(count, to);
  } else {
    FillAhead();
    high_ ? TakeFromStreams<true>(count, to) : TakeFromStreams<false>(count, to);
  }
  taken_ += count;
}

void BlockDecoder::PassRun() {
  const std::size_t lane = runs_[run_ - 1] & 15;
  passed_over_ += run_left_;
  for (std::uint8_t stream = static_cast<std::uint8_t>(2 * lane); run_left_ > 0;
       stream = static_cast<std::uint8_t>(2 * lane + 1)) {
    const auto count = stream == 2 * lane
                           ? std::size_t{1}
                           : static_cast<std::size_t>(std::min<std::uint64_t>(run_left_, kBatch));
    std::memset(selected_.data(), stream, count);
    TakeSelected(count, briefs_.data());
    run_left_ -= count;
  }
}

// Sees that of each stream as much is joined as a batch may take.
void BlockDecoder::FillAhead() {
  for (std::size_t s = 0; s < 2 * lane_count_; ++s) {
    Stream& stream = streams_[s];
    std::uint32_t left = stream.have - stream.at;
    if (left >= kBatch || stream.next == stream.end) continue;
    const auto keep = [&](std::vector<std::uint32_t>& joined) {
      std::uint32_t* const begin = joined.data() + s * kJoined;
      std::memmove(begin, begin + stream.at, left * sizeof(std::uint32_t));
      return begin + left;
    };
    const std::size_t count = std::min(kJoined - left, stream.end - stream.next);
    const auto column = [&stream](ByteView bytes) {
      return bytes.empty() ? nullptr
                           : reinterpret_cast<const std::uint8_t*>(bytes.data()) + stream.next;
    };
    const auto& times = stream.lane->time_columns;
    const auto& sizes = stream.lane->size_columns;
    JoinColumns({column(times[0]), column(times[1]), column(times[2]), column(times[3])}, count,
                keep(low_times_));
    JoinColumns({column(sizes[0]), column(sizes[1]), column(sizes[2]), nullptr}, count,
                keep(stream_sizes_));
    if (high_) {
      JoinColumns({column(times[4]), column(times[5]), column(times[6]), column(times[7])}, count,
                  keep(high_times_));
    }
    stream.next += count;
    stream.at = 0;
    stream.have = left + static_cast<std::uint32_t>(count);
  }
}

template <bool kHigh>
void BlockDecoder::TakeFromStreams(std::size_t count, BriefEvent* to) {
  std::array<std::uint32_t, 2 * kMaxLanes> at;  // places in the lists of all streams
  std::array<std::pair<EventKind, Side>, 2 * kMaxLanes> what;
  for (std::size_t s = 0; s < 2 * lane_count_; ++s) {
    at[s] = static_cast<std::uint32_t>(s * kJoined) + streams_[s].at;
    what[s] = {streams_[s].lane->kind, streams_[s].lane->side};
  }
  const std::uint32_t* const low = low_times_.data();
  const std::uint32_t* const high = high_times_.data();
  const std::uint32_t* const sizes = stream_sizes_.data();
  std::uint64_t time = time_;
  const char* data = data_at_;
  for (std::size_t i = 0; i < count; ++i) {
    const std::uint8_t stream = selected_[i];
    const std::uint32_t place = at[stream]++;
    time += low[place];
    if constexpr (kHigh) time += std::uint64_t{high[place]} << 32;
    const std::uint32_t size = sizes[place];
    BriefEvent& brief = to[i];
    brief.at = Instant::FromNanoseconds(static_cast<std::int64_t>(time));
    brief.data = data;
    brief.size = size;
    brief.kind = what[stream].first;
    brief.side = what[stream].second;
    data += size;
  }
  for (std::size_t s = 0; s < 2 * lane_count_; ++s) {
    streams_[s].at = at[s] - static_cast<std::uint32_t>(s * kJoined);
  }
  time_ = time;
  data_at_ = data;
}

void BlockDecoder::TakeFromLists(std::size_t count, BriefEvent* to) {
  for (std::size_t i = 0; i < count; ++i) {
    const Lane& lane = lanes_[selected_[i] >> 1];
    time_ += times_[taken_ + i];
    const std::uint32_t size = sizes_[taken_ + i];
    to[i] = {Instant::FromNanoseconds(static_cast<std::int64_t>(time_)), data_at_, size, lane.kind,
             lane.side};
    data_at_ += size;
  }
}

void BlockDecoder::FillDetails(Lane& lane, const BriefEvent& brief) {
  details_ = Event{};
  details_.at = brief.at;
  details_.kind = brief.kind;
  details_.side = brief.side;
  details_.bytes = brief.bytes();
  const auto value = [&lane](std::size_t column) { return TakeVarint(lane.columns[column]); };
  const auto value32 = [&value](std::size_t column) {
    return static_cast<std::uint32_t>(value(column));
  };
  switch (brief.kind) {
    case EventKind::kLineChange:
      details_.lines = value32(0);
      details_.changed = value32(1);
      break;
    case EventKind::kPin:
      details_.name = details_.bytes;
      details_.bytes = {};
      details_.level = value(2) != 0 ? 1 : 0;
      break;
    case EventKind::kErrorCounts:
      details_.counts.framing = value32(3);
      details_.counts.parity = value32(4);
      details_.counts.overrun = value32(5);
      details_.counts.buffer_overrun = value32(6);
      details_.counts.breaks = value32(7);
      break;
    case EventKind::kGap: {
      const std::uint64_t reason = value(8);
      details_.gap.reason = reason <= static_cast<std::uint64_t>(GapReason::kDiskFull)
                                ? static_cast<GapReason>(reason)
                                : GapReason::kUnspecified;
      const std::uint64_t length = value(9);
      details_.gap.length = length > static_cast<std::uint64_t>(kMaxTime)
                                ? Duration::Nanoseconds(kMaxTime)
                                : Duration::Nanoseconds(static_cast<std::int64_t>(length));
      details_.gap.bytes_lost = value(10);
      details_.gap.events_lost = value(11);
      break;
    }
    case EventKind::kBytes:
    case EventKind::kBadByte:
    case EventKind::kBreak:
    case EventKind::kNote:
      break;
  }
}

}  // namespace witness
