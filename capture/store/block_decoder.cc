#include "capture/store/block_decoder.h"

#include <algorithm>
#include <limits>
#include <string>

#include "capture/store/crc32c.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

Status Wrong(const char* what) { return Status(Code::kDamaged, std::string("a block's ") + what); }

template <typename T, std::size_t kPlanes>
void JoinPlanes(const std::array<ByteView, kPlanes>& planes, std::size_t count, T* to) {
  bool first = true;
  for (std::size_t plane = 0; plane < kPlanes; ++plane) {
    if (planes[plane].empty()) continue;
    const auto* from = reinterpret_cast<const std::uint8_t*>(planes[plane].data());
    const auto shift = static_cast<unsigned>(8 * plane);
    if (first) {
      for (std::size_t i = 0; i < count; ++i) to[i] = static_cast<T>(T{from[i]} << shift);
    } else {
      for (std::size_t i = 0; i < count; ++i) to[i] |= static_cast<T>(T{from[i]} << shift);
    }
    first = false;
  }
  if (first) std::fill(to, to + count, T{0});
}

// Packed varints. False: they are no such, or more than `limit`.
template <typename T>
bool TakePacked(ByteView bytes, std::size_t limit, std::vector<T>& to) {
  WireCursor cursor(bytes);
  std::uint64_t v = 0;
  while (!cursor.done()) {
    if (!cursor.Varint(v) || v > std::numeric_limits<T>::max() || to.size() == limit) return false;
    to.push_back(static_cast<T>(v));
  }
  return true;
}

bool IsRare(EventKind kind) {
  return kind == EventKind::kLineChange || kind == EventKind::kErrorCounts ||
         kind == EventKind::kPin || kind == EventKind::kGap;
}

}  // namespace

Status BlockDecoder::Open(ByteView block) {
  run_left_ = 0;
  run_ = 0;
  taken_ = 0;
  runs_.clear();
  times_.clear();
  sizes_.clear();
  lane_times_.clear();
  lane_sizes_.clear();
  lane_count_ = 0;
  seq_ = 0;
  has_place_ = false;
  first_event_ = 0;
  base_ns_ = 0;
  data_ = {};

  // The checksum is the last field: tag 7D and four bytes.
  constexpr std::size_t kTail = 5;
  if (block.size() < kTail || block[block.size() - kTail] != '\x7D') {
    return Wrong("checksum is not at its end");
  }
  const ByteView body = block.substr(0, block.size() - kTail);
  if (Crc32c(body) != Little32(block.data() + block.size() - 4)) {
    return Wrong("checksum does not agree with its bytes");
  }

  std::uint64_t events = 0;
  unsigned place = 0;  // bit 0: first_event, bit 1: base_ns
  std::uint32_t seen = 0;
  WireCursor cursor(body);
  WireField field;
  while (!cursor.done()) {
    if (!NextField(cursor, field)) return Wrong("fields cannot be told apart");
    if (field.number > 9) continue;  // of a newer minor version
    if (field.type != (field.number <= 4 ? WireType::kVarint : WireType::kBytes)) {
      return Wrong("field is of a wrong type");
    }
    if (field.number != 6 && (seen >> field.number & 1) != 0) return Wrong("field stands twice");
    seen |= 1u << field.number;
    Status status;
    switch (field.number) {
      case 1:
        seq_ = field.value;
        break;
      case 2:
        first_event_ = field.value;
        place |= 1;
        break;
      case 3:
        base_ns_ = UnZigZag(field.value);
        place |= 2;
        if (base_ns_ > kMaxTime || base_ns_ < 0) return Wrong("time is absurd");
        break;
      case 4:
        events = field.value;
        if (events > kMaxBlockEvents) return Wrong("number of events is absurd");
        break;
      case 5:
        status = ParseRuns(field.bytes);
        break;
      case 6:
        if (lane_count_ == kMaxLanes) return Wrong("lanes are too many");
        if (lane_count_ == lanes_.size()) lanes_.emplace_back();
        status = ParseLane(field.bytes, lanes_[lane_count_++]);
        break;
      case 7:
        data_ = field.bytes;
        break;
      case 8:
        if (!TakePacked(field.bytes, kMaxBlockEvents, times_)) return Wrong("times are wrong");
        break;
      case 9:
        if (!TakePacked(field.bytes, kMaxBlockEvents, sizes_)) return Wrong("sizes are wrong");
        break;
      default:
        break;
    }
    if (!status.ok()) return status;
  }
  if (place == 1 || place == 2) return Wrong("place is half told");
  has_place_ = place == 3;
  if (first_event_ > std::numeric_limits<std::uint64_t>::max() / 2) {
    return Wrong("number of events is absurd");
  }
  if (lane_times_.size() != events) return Wrong("lanes do not hold as many events as it says");
  if (const Status status = CheckRuns(); !status.ok()) return status;
  return CheckTotals();
}

void BlockDecoder::ContinueAt(std::uint64_t first_event, Instant base) {
  first_event_ = first_event;
  base_ns_ = base.ns();
  time_ = static_cast<std::uint64_t>(base_ns_);
}

Status BlockDecoder::ParseRuns(ByteView bytes) {
  if (!TakePacked(bytes, kMaxBlockEvents, runs_)) return Wrong("runs are wrong");
  for (const std::uint32_t run : runs_) {
    if (run < 16 || run >> 4 > kMaxBlockEvents) return Wrong("run is of an absurd length");
  }
  return OkStatus();
}

Status BlockDecoder::ParseLane(ByteView bytes, Lane& lane) {
  lane.kind = EventKind::kBytes;
  lane.side = Side::kUnknown;
  lane.foreign = false;
  lane.has_columns = false;
  lane.events = 0;
  lane.taken = 0;
  lane.begin = lane_times_.size();
  for (auto& column : lane.columns) column.clear();
  std::array<ByteView, 8> times;
  std::array<ByteView, 3> sizes;
  std::array<ByteView, kColumns> rare;
  WireCursor cursor(bytes);
  WireField field;
  while (!cursor.done()) {
    if (!NextField(cursor, field)) return Wrong("lane cannot be taken apart");
    const std::uint32_t n = field.number;
    if (n <= 3) {
      if (field.type != WireType::kVarint) return Wrong("lane has a field of a wrong type");
      if (n == 1) {
        lane.foreign = field.value > static_cast<std::uint64_t>(EventKind::kGap);
        lane.kind = lane.foreign ? EventKind::kGap : static_cast<EventKind>(field.value);
      }
      if (n == 2 && field.value <= static_cast<std::uint64_t>(Side::kModule)) {
        lane.side = static_cast<Side>(field.value);
      }
      if (n == 3) lane.events = field.value;
    } else if (n <= 14 || (n >= 16 && n < 16 + kColumns)) {
      if (field.type != WireType::kBytes) return Wrong("lane has a column of a wrong type");
      ByteView& column = n <= 11 ? times[n - 4] : n <= 14 ? sizes[n - 12] : rare[n - 16];
      if (!column.empty()) return Wrong("lane has a column twice");
      column = field.bytes;
      lane.has_columns = lane.has_columns || n <= 14;
    }
  }
  const std::uint64_t before = lane_times_.size();
  if (lane.events == 0 || lane.events > kMaxBlockEvents - before) {
    return Wrong("lane has an absurd number of events");
  }
  const auto fits = [&lane](ByteView column) {
    return column.empty() || column.size() == lane.events;
  };
  if (!std::all_of(times.begin(), times.end(), fits) ||
      !std::all_of(sizes.begin(), sizes.end(), fits)) {
    return Wrong("column is not as long as its lane");
  }
  lane_times_.resize(before + lane.events);
  lane_sizes_.resize(before + lane.events);
  JoinPlanes(times, lane.events, lane_times_.data() + before);
  JoinPlanes(sizes, lane.events, lane_sizes_.data() + before);
  for (std::size_t i = 0; i < kColumns; ++i) {
    if (rare[i].empty()) continue;
    if (!TakePacked(rare[i], lane.events, lane.columns[i]) ||
        lane.columns[i].size() != lane.events) {
      return Wrong("column is not as long as its lane");
    }
  }
  lane.rare = IsRare(lane.kind);
  return OkStatus();
}

// The runs and the lanes must tell the same.
Status BlockDecoder::CheckRuns() {
  std::array<std::uint64_t, kMaxLanes> events{};
  std::array<std::uint64_t, kMaxLanes> heads{};
  for (const std::uint32_t run : runs_) {
    events[run & 15] += run >> 4;
    ++heads[run & 15];
  }
  bool columns = false;
  for (std::size_t i = 0; i < kMaxLanes; ++i) {
    if (events[i] != (i < lane_count_ ? lanes_[i].events : 0)) {
      return Wrong("runs do not agree with its lanes");
    }
    if (i < lane_count_) {
      lanes_[i].heads = heads[i];
      columns = columns || lanes_[i].has_columns;
    }
  }
  const std::size_t count = lane_times_.size();
  if (times_.empty() && sizes_.empty()) {
    PutInCaptureOrder();
    return OkStatus();
  }
  if (columns) return Wrong("times and sizes stand in two places");
  if (times_.empty()) times_.resize(count);
  if (sizes_.empty()) sizes_.resize(count);
  if (times_.size() != count || sizes_.size() != count) {
    return Wrong("times or sizes are not as many as its events");
  }
  return OkStatus();
}

void BlockDecoder::PutInCaptureOrder() {
  times_.resize(lane_times_.size());
  sizes_.resize(lane_sizes_.size());
  std::array<std::size_t, kMaxLanes> head{};
  std::array<std::size_t, kMaxLanes> rest{};
  for (std::size_t i = 0; i < lane_count_; ++i) {
    head[i] = lanes_[i].begin;
    rest[i] = lanes_[i].begin + lanes_[i].heads;
  }
  std::uint64_t* time = times_.data();
  std::uint32_t* size = sizes_.data();
  for (const std::uint32_t run : runs_) {
    const std::size_t lane = run & 15;
    *time++ = lane_times_[head[lane]];
    *size++ = lane_sizes_[head[lane]++];
    std::size_t from = rest[lane];
    rest[lane] += (run >> 4) - 1;
    for (; from < rest[lane]; ++from) {
      *time++ = lane_times_[from];
      *size++ = lane_sizes_[from];
    }
  }
}

Status BlockDecoder::CheckTotals() {
  // Each time is below 2^64 and there are at most 2^20: sums of halves cannot overflow.
  std::uint64_t high = 0;
  std::uint64_t low = 0;
  for (const std::uint64_t t : times_) {
    high += t >> 32;
    low += t & 0xFFFFFFFF;
  }
  if (high >= std::uint64_t{1} << 30 || (high << 32) + low > static_cast<std::uint64_t>(kMaxTime)) {
    return Wrong("times are absurd");
  }
  length_ns_ = static_cast<std::int64_t>((high << 32) + low);
  std::uint64_t total = 0;
  for (const std::uint32_t size : sizes_) total += size;
  if (total != data_.size()) return Wrong("data are not as long as its sizes say");
  payload_bytes_ = total;
  const auto counts = [](const Lane& lane) {
    return !lane.foreign && (lane.kind == EventKind::kBytes || lane.kind == EventKind::kBadByte);
  };
  if (!std::all_of(lanes_.begin(), lanes_.begin() + static_cast<std::ptrdiff_t>(lane_count_),
                   counts)) {
    payload_bytes_ = 0;
    std::size_t at = 0;
    for (const std::uint32_t run : runs_) {
      const bool counted = counts(lanes_[run & 15]);
      for (const std::size_t end = at + (run >> 4); at < end; ++at) {
        if (counted) payload_bytes_ += sizes_[at];
      }
    }
  }
  time_ = static_cast<std::uint64_t>(base_ns_);
  data_at_ = data_.data();
  return OkStatus();
}

bool BlockDecoder::NextRun() {
  while (run_ < runs_.size()) {
    const std::uint32_t run = runs_[run_++];
    lane_ = &lanes_[run & 15];
    run_left_ = run >> 4;
    if (!lane_->foreign) return true;
    PassRun();
  }
  return false;
}

void BlockDecoder::PassRun() {
  for (; run_left_ > 0; --run_left_) {
    time_ += times_[taken_];
    data_at_ += sizes_[taken_];
    ++taken_;
  }
}

void BlockDecoder::FillRare(Event& event) {
  const std::size_t at = lane_->taken++;
  const auto value = [&](std::size_t column) -> std::uint64_t {
    const auto& values = lane_->columns[column];
    return values.empty() ? 0 : values[at];
  };
  const auto value32 = [&](std::size_t column) {
    return static_cast<std::uint32_t>(value(column));
  };
  switch (event.kind) {
    case EventKind::kLineChange:
      event.lines = value32(0);
      event.changed = value32(1);
      break;
    case EventKind::kPin:
      event.name = event.bytes;
      event.bytes = {};
      event.level = value(2) != 0 ? 1 : 0;
      break;
    case EventKind::kErrorCounts:
      event.counts.framing = value32(3);
      event.counts.parity = value32(4);
      event.counts.overrun = value32(5);
      event.counts.buffer_overrun = value32(6);
      event.counts.breaks = value32(7);
      break;
    case EventKind::kGap: {
      const std::uint64_t reason = value(8);
      event.gap.reason = reason <= static_cast<std::uint64_t>(GapReason::kDiskFull)
                             ? static_cast<GapReason>(reason)
                             : GapReason::kUnspecified;
      const std::uint64_t length = value(9);
      event.gap.length = length > static_cast<std::uint64_t>(kMaxTime)
                             ? Duration::Nanoseconds(kMaxTime)
                             : Duration::Nanoseconds(static_cast<std::int64_t>(length));
      event.gap.bytes_lost = value(10);
      event.gap.events_lost = value(11);
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
