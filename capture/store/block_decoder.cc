#include "capture/store/block_decoder.h"

#include <algorithm>
#include <limits>
#include <string>

#include "capture/store/crc32c.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

Status Wrong(const char* what) { return Status(Code::kDamaged, std::string("a block's ") + what); }

const std::uint8_t* Octets(ByteView bytes) {
  return reinterpret_cast<const std::uint8_t*>(bytes.data());
}

std::uint64_t SumOf(ByteView column) {
  std::uint64_t sum = 0;
  const std::uint8_t* from = Octets(column);
  for (std::size_t left = column.size(); left > 0;) {
    // Short enough for 32 bits, which the compiler sums many at a time.
    const std::size_t count = std::min(left, std::size_t{1} << 16);
    std::uint32_t part = 0;
    for (std::size_t i = 0; i < count; ++i) part += from[i];
    sum += part;
    from += count;
    left -= count;
  }
  return sum;
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

bool BlockDecoder::IsPayload(const Lane& lane) {
  return !lane.foreign && (lane.kind == EventKind::kBytes || lane.kind == EventKind::kBadByte);
}

Status BlockDecoder::Open(ByteView block) {
  span_left_ = 0;
  run_left_ = 0;
  run_ = 0;
  taken_ = 0;
  passed_over_ = 0;
  runs_.clear();
  times_.clear();
  sizes_.clear();
  events_ = 0;
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

  std::uint64_t stated = 0;
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
        stated = field.value;
        if (stated > kMaxBlockEvents) return Wrong("number of events is absurd");
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
  if (events_ != stated) return Wrong("lanes do not hold as many events as it says");
  if (const Status status = CheckRuns(); !status.ok()) return status;
  short_form_ = !times_.empty() || !sizes_.empty();
  if (const Status status = short_form_ ? CheckShortForm() : CheckLongForm(); !status.ok()) {
    return status;
  }
  time_ = static_cast<std::uint64_t>(base_ns_);
  data_at_ = data_.data();
  return OkStatus();
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
  lane.events = 0;
  lane.taken = 0;
  lane.time_columns.fill({});
  lane.size_columns.fill({});
  for (auto& column : lane.columns) column.clear();
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
      ByteView& column = n <= 11   ? lane.time_columns[n - 4]
                         : n <= 14 ? lane.size_columns[n - 12]
                                   : rare[n - 16];
      if (!column.empty()) return Wrong("lane has a column twice");
      column = field.bytes;
    }
  }
  if (lane.events == 0 || lane.events > kMaxBlockEvents - events_) {
    return Wrong("lane has an absurd number of events");
  }
  events_ += lane.events;
  const auto fits = [&lane](ByteView column) {
    return column.empty() || column.size() == lane.events;
  };
  if (!std::all_of(lane.time_columns.begin(), lane.time_columns.end(), fits) ||
      !std::all_of(lane.size_columns.begin(), lane.size_columns.end(), fits)) {
    return Wrong("column is not as long as its lane");
  }
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
  for (std::size_t i = 0; i < kMaxLanes; ++i) {
    if (events[i] != (i < lane_count_ ? lanes_[i].events : 0)) {
      return Wrong("runs do not agree with its lanes");
    }
    if (i >= lane_count_) continue;
    const auto begin = [this, i](Stream& stream, std::size_t from, std::size_t to) {
      stream.at = 0;
      stream.have = 0;
      stream.next = from;
      stream.end = to;
      stream.lane = &lanes_[i];
    };
    begin(lanes_[i].head, 0, heads[i]);
    begin(lanes_[i].rest, heads[i], lanes_[i].events);
  }
  return OkStatus();
}

namespace {

// Of `high` and `low` the sum high * 2^32 + low, if it is a time that a capture can hold.
bool TakeLength(std::uint64_t high, std::uint64_t low, std::int64_t& length) {
  high += low >> 32;
  if (high >= std::uint64_t{1} << 31) return false;
  const std::uint64_t sum = (high << 32) + (low & 0xFFFFFFFF);
  length = static_cast<std::int64_t>(sum);
  return sum <= static_cast<std::uint64_t>(kMaxTime);
}

}  // namespace

// There are at most 2^20 events: the sum of a column is below 2^28, and nothing here overflows.
Status BlockDecoder::CheckLongForm() {
  std::uint64_t high = 0;
  std::uint64_t low = 0;
  std::uint64_t total = 0;
  payload_bytes_ = 0;
  for (std::size_t i = 0; i < lane_count_; ++i) {
    const Lane& lane = lanes_[i];
    for (unsigned k = 0; k < 8; ++k) {
      (k < 4 ? low : high) += SumOf(lane.time_columns[k]) << 8 * (k % 4);
    }
    std::uint64_t bytes = 0;
    for (unsigned k = 0; k < 3; ++k) bytes += SumOf(lane.size_columns[k]) << 8 * k;
    total += bytes;
    if (IsPayload(lane)) payload_bytes_ += bytes;
  }
  if (!TakeLength(high, low, length_ns_)) return Wrong("times are absurd");
  if (total != data_.size()) return Wrong("data are not as long as its sizes say");
  return OkStatus();
}

Status BlockDecoder::CheckShortForm() {
  for (std::size_t i = 0; i < lane_count_; ++i) {
    const auto there = [](ByteView column) { return !column.empty(); };
    const Lane& lane = lanes_[i];
    if (std::any_of(lane.time_columns.begin(), lane.time_columns.end(), there) ||
        std::any_of(lane.size_columns.begin(), lane.size_columns.end(), there)) {
      return Wrong("times and sizes stand in two places");
    }
  }
  if (times_.empty()) times_.resize(events_);
  if (sizes_.empty()) sizes_.resize(events_);
  if (times_.size() != events_ || sizes_.size() != events_) {
    return Wrong("times or sizes are not as many as its events");
  }
  std::uint64_t high = 0;
  std::uint64_t low = 0;
  for (const std::uint64_t t : times_) {
    high += t >> 32;
    low += t & 0xFFFFFFFF;
  }
  if (!TakeLength(high, low, length_ns_)) return Wrong("times are absurd");
  std::uint64_t total = 0;
  payload_bytes_ = 0;
  std::size_t at = 0;
  for (const std::uint32_t run : runs_) {
    std::uint64_t bytes = 0;
    for (const std::size_t end = at + (run >> 4); at < end; ++at) bytes += sizes_[at];
    total += bytes;
    if (IsPayload(lanes_[run & 15])) payload_bytes_ += bytes;
  }
  if (total != data_.size()) return Wrong("data are not as long as its sizes say");
  return OkStatus();
}

void BlockDecoder::Refill(Stream& stream) {
  static constexpr std::array<std::uint8_t, kStreamEvents> kZeros{};
  const std::size_t count = std::min(kStreamEvents, stream.end - stream.next);
  const auto column = [&stream](ByteView bytes) {
    return bytes.empty() ? kZeros.data() : Octets(bytes) + stream.next;
  };
  const auto& times = stream.lane->time_columns;
  const auto& sizes = stream.lane->size_columns;
  const auto join = [count](const std::uint8_t* a, const std::uint8_t* b, const std::uint8_t* c,
                            const std::uint8_t* d, auto* to) {
    for (std::size_t i = 0; i < count; ++i) {
      to[i] = std::uint32_t{a[i]} | std::uint32_t{b[i]} << 8 | std::uint32_t{c[i]} << 16 |
              std::uint32_t{d[i]} << 24;
    }
  };
  join(column(times[0]), column(times[1]), column(times[2]), column(times[3]), stream.times.data());
  join(column(sizes[0]), column(sizes[1]), column(sizes[2]), kZeros.data(), stream.sizes.data());
  if (std::any_of(times.begin() + 4, times.end(), [](ByteView c) { return !c.empty(); })) {
    std::array<std::uint32_t, kStreamEvents> high;
    join(column(times[4]), column(times[5]), column(times[6]), column(times[7]), high.data());
    for (std::size_t i = 0; i < count; ++i) stream.times[i] |= std::uint64_t{high[i]} << 32;
  }
  stream.next += count;
  stream.at = 0;
  stream.have = static_cast<std::uint32_t>(count);
}

bool BlockDecoder::NextSpan() {
  if (run_left_ == 0 && !NextRun()) return false;
  if (short_form_) {
    span_left_ = run_left_;
    span_times_ = times_.data() + taken_;
    span_sizes_ = sizes_.data() + taken_;
  } else {
    Stream& stream = *stream_;
    if (stream.at == stream.have) Refill(stream);
    // The first event of a run stands apart from the others.
    span_left_ =
        stream_ == &lane_->head ? 1 : std::min<std::size_t>(run_left_, stream.have - stream.at);
    span_times_ = stream.times.data() + stream.at;
    span_sizes_ = stream.sizes.data() + stream.at;
    stream.at += static_cast<std::uint32_t>(span_left_);
    stream_ = &lane_->rest;
  }
  run_left_ -= span_left_;
  taken_ += span_left_;
  return true;
}

bool BlockDecoder::NextRun() {
  while (run_ < runs_.size()) {
    const std::uint32_t run = runs_[run_++];
    lane_ = &lanes_[run & 15];
    stream_ = &lane_->head;
    run_left_ = run >> 4;
    if (!lane_->foreign) return true;
    PassRun();
  }
  return false;
}

void BlockDecoder::PassRun() {
  passed_over_ += run_left_;
  for (; run_left_ > 0; --run_left_, ++taken_) {
    if (short_form_) {
      time_ += times_[taken_];
      data_at_ += sizes_[taken_];
      continue;
    }
    if (stream_->at == stream_->have) Refill(*stream_);
    time_ += stream_->times[stream_->at];
    data_at_ += stream_->sizes[stream_->at++];
    stream_ = &lane_->rest;
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
