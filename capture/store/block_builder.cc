#include "capture/store/block_builder.h"

#include <algorithm>

#include "capture/store/crc32c.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

// Field numbers of capture.proto.
enum BlockField : std::uint32_t {
  kSeq = 1,
  kFirstEvent = 2,
  kBaseNs = 3,
  kEvents = 4,
  kRun = 5,
  kLane = 6,
  kData = 7,
  kTime = 8,
  kSize = 9,
  kCrc32c = 15,
};
enum LaneField : std::uint32_t {
  kLaneKind = 1,
  kLaneSide = 2,
  kLaneEvents = 3,
  kTime0 = 4,
  kSize0 = 12,
  kFirstColumn = 16,
};
// Places in Lane::columns.
enum Column : std::size_t {
  kLines,
  kChanged,
  kLevel,
  kFraming,
  kParity,
  kOverrun,
  kBufferOverrun,
  kBreaks,
  kReason,
  kLengthNs,
  kBytesLost,
  kEventsLost,
};

// Columns shorter than this are not worth a table of their own.
constexpr std::size_t kWorthATable = 2048;

// Blocks of up to so many events are written in the short form: columns do not pay there.
constexpr std::size_t kShortEvents = 128;

// One column a byte that is not zero in all values: first those of `heads`, then `rest`.
template <typename T>
void AppendPlanes(const std::vector<T>& heads, const std::vector<T>& rest, T any,
                  std::uint32_t first_field, Bytes& out, std::vector<std::size_t>* borders) {
  const auto mark = [&out, borders](std::size_t size) {
    if (borders != nullptr && size >= kWorthATable) borders->push_back(out.size());
  };
  for (std::uint32_t plane = 0; plane < sizeof(T); ++plane) {
    const unsigned shift = 8 * plane;
    if ((any >> shift & 0xFF) == 0) continue;
    AppendBytesHead(out, first_field + plane, heads.size() + rest.size());
    mark(heads.size() + rest.size());
    const auto append = [&out, shift](const std::vector<T>& values) {
      const std::size_t at = out.size();
      out.resize(at + values.size());
      char* to = out.data() + at;
      for (const T v : values) *to++ = static_cast<char>(v >> shift);
    };
    append(heads);
    mark(std::min(heads.size(), rest.size()));
    append(rest);
    mark(heads.size() + rest.size());
  }
}

template <typename T>
void AppendPacked(const std::vector<T>& values, std::uint32_t field, Bytes& out) {
  std::size_t size = 0;
  T any = 0;
  for (const T v : values) {
    size += VarintSize(v);
    any |= v;
  }
  if (any == 0) return;
  AppendBytesHead(out, field, size);
  for (const T v : values) AppendVarint(out, v);
}

}  // namespace

BlockBuilder::BlockBuilder() { lane_of_.fill(-1); }

void BlockBuilder::Start(Instant base) {
  base_ = base;
  last_ = base;
}

int BlockBuilder::LaneOf(EventKind kind, Side side) {
  const std::size_t slot = static_cast<std::size_t>(kind) * 4 + static_cast<std::size_t>(side);
  if (lane_of_[slot] >= 0) return lane_of_[slot];
  if (lane_count_ == kMaxLanes) return -1;
  if (lane_count_ == lanes_.size()) lanes_.emplace_back();
  lanes_[lane_count_].kind = kind;
  lanes_[lane_count_].side = side;
  lane_of_[slot] = static_cast<std::int8_t>(lane_count_);
  extra_ += 40;
  return static_cast<int>(lane_count_++);
}

void BlockBuilder::CloseRun() {
  if (run_length_ > 0) AppendVarint(runs_, run_length_ << 4 | static_cast<unsigned>(run_lane_));
  run_length_ = 0;
}

bool BlockBuilder::Add(const Event& event) {
  const int index = LaneOf(event.kind, event.side);
  if (index < 0) return false;
  const bool head = index != run_lane_;
  if (head) {
    CloseRun();
    run_lane_ = index;
  }
  ++run_length_;
  Lane& lane = lanes_[static_cast<std::size_t>(index)];
  const auto time =
      static_cast<std::uint64_t>(event.at.ns()) - static_cast<std::uint64_t>(last_.ns());
  last_ = event.at;
  const ByteView payload = event.kind == EventKind::kPin ? event.name : event.bytes;
  const auto size = static_cast<std::uint32_t>(payload.size());
  (head ? lane.head_times : lane.times).push_back(time);
  lane.any_time |= time;
  (head ? lane.head_sizes : lane.sizes).push_back(size);
  lane.any_size |= size;
  if (events_ < kShortEvents) {
    times_.push_back(time);
    sizes_.push_back(size);
  }
  data_.append(payload.data(), payload.size());
  ++events_;
  if (event.kind > EventKind::kBreak && event.kind != EventKind::kNote) AddRare(lane, event);
  return true;
}

void BlockBuilder::AddRare(Lane& lane, const Event& event) {
  const auto put = [&lane](Column column, std::uint64_t v) { lane.columns[column].push_back(v); };
  extra_ += 12;
  switch (event.kind) {
    case EventKind::kLineChange:
      put(kLines, event.lines);
      put(kChanged, event.changed);
      break;
    case EventKind::kErrorCounts:
      put(kFraming, event.counts.framing);
      put(kParity, event.counts.parity);
      put(kOverrun, event.counts.overrun);
      put(kBufferOverrun, event.counts.buffer_overrun);
      put(kBreaks, event.counts.breaks);
      break;
    case EventKind::kPin:
      put(kLevel, event.level);
      break;
    case EventKind::kGap:
      put(kReason, static_cast<std::uint64_t>(event.gap.reason));
      put(kLengthNs, static_cast<std::uint64_t>(std::max<std::int64_t>(event.gap.length.ns(), 0)));
      put(kBytesLost, event.gap.bytes_lost);
      put(kEventsLost, event.gap.events_lost);
      break;
    case EventKind::kBytes:
    case EventKind::kBadByte:
    case EventKind::kBreak:
    case EventKind::kNote:
      break;
  }
}

void BlockBuilder::AppendLane(const Lane& lane, bool columns, Bytes& out,
                              std::vector<std::size_t>* borders) {
  AppendVarintField(out, kLaneKind, static_cast<std::uint64_t>(lane.kind));
  AppendVarintField(out, kLaneSide, static_cast<std::uint64_t>(lane.side));
  AppendVarintField(out, kLaneEvents, lane.head_times.size() + lane.times.size());
  if (columns) {
    AppendPlanes(lane.head_times, lane.times, lane.any_time, kTime0, out, borders);
    AppendPlanes(lane.head_sizes, lane.sizes, lane.any_size, kSize0, out, borders);
  }
  for (std::size_t i = 0; i < lane.columns.size(); ++i) {
    AppendPacked(lane.columns[i], kFirstColumn + static_cast<std::uint32_t>(i), out);
  }
}

void BlockBuilder::Finish(std::uint64_t seq, std::uint64_t first_event, bool continues, Bytes& out,
                          std::vector<std::size_t>* borders) {
  CloseRun();
  const std::size_t start = out.size();
  const bool columns = events_ > kShortEvents;
  AppendVarintField(out, kSeq, seq);
  if (!continues) {
    AppendVarint(out, WireTag(kFirstEvent, WireType::kVarint));
    AppendVarint(out, first_event);
    AppendVarint(out, WireTag(kBaseNs, WireType::kVarint));
    AppendVarint(out, ZigZag(base_.ns()));
  }
  AppendVarintField(out, kEvents, events_);
  AppendBytesField(out, kRun, runs_);
  if (borders != nullptr && runs_.size() >= kWorthATable) borders->push_back(out.size());
  Bytes lane_bytes;
  std::vector<std::size_t> lane_borders;
  for (std::size_t i = 0; i < lane_count_; ++i) {
    lane_bytes.clear();
    lane_borders.clear();
    AppendLane(lanes_[i], columns, lane_bytes, borders != nullptr ? &lane_borders : nullptr);
    AppendBytesHead(out, kLane, lane_bytes.size());
    for (const std::size_t border : lane_borders) borders->push_back(out.size() + border);
    out += lane_bytes;
  }
  AppendBytesField(out, kData, data_);
  if (!columns) {
    AppendPacked(times_, kTime, out);
    AppendPacked(sizes_, kSize, out);
  }
  const std::uint32_t crc = Crc32c(ByteView(out).substr(start));
  AppendVarint(out, WireTag(kCrc32c, WireType::kFixed32));
  AppendLittle32(out, crc);
  Clear();
}

void BlockBuilder::Clear() {
  lane_of_.fill(-1);
  for (std::size_t i = 0; i < lane_count_; ++i) {
    Lane& lane = lanes_[i];
    lane.head_times.clear();
    lane.head_sizes.clear();
    lane.times.clear();
    lane.sizes.clear();
    lane.any_time = 0;
    lane.any_size = 0;
    for (auto& column : lane.columns) column.clear();
  }
  lane_count_ = 0;
  events_ = 0;
  extra_ = 0;
  run_lane_ = -1;
  runs_.clear();
  times_.clear();
  sizes_.clear();
  data_.clear();
  base_ = last_;
}

}  // namespace witness
