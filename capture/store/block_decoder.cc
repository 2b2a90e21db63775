#include "capture/store/block_decoder.h"

#include <algorithm>
#include <limits>
#include <string>

#include "capture/store/columns.h"
#include "capture/store/crc32c.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

Status Wrong(const char* what) { return Status(Code::kDamaged, std::string("a block's ") + what); }

// So many varints that each fit 64 bits, and nothing besides.
bool ArePacked(ByteView bytes, std::uint64_t count) {
  WireCursor cursor(bytes);
  std::uint64_t v = 0;
  while (!cursor.done()) {
    if (count-- == 0 || !cursor.Varint(v)) return false;
  }
  return count == 0;
}

bool IsPayload(EventKind kind) { return kind == EventKind::kBytes || kind == EventKind::kBadByte; }

}  // namespace

Status BlockDecoder::Open(ByteView block) {
  run_left_ = 0;
  run_ = 0;
  taken_ = 0;
  passed_over_ = 0;
  runs_.clear();
  times_.clear();
  sizes_.clear();
  adopted_ = false;
  facts_ = {};
  lane_count_ = 0;
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
        facts_.seq = field.value;
        break;
      case 2:
        facts_.first_event = field.value;
        place |= 1;
        break;
      case 3:
        facts_.base_ns = UnZigZag(field.value);
        place |= 2;
        if (facts_.base_ns > kMaxTime || facts_.base_ns < 0) return Wrong("time is absurd");
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
  facts_.has_place = place == 3;
  if (facts_.first_event > std::numeric_limits<std::uint64_t>::max() / 2) {
    return Wrong("number of events is absurd");
  }
  if (facts_.events != stated) return Wrong("lanes do not hold as many events as it says");
  if (const Status status = CheckRuns(); !status.ok()) return status;
  short_form_ = !times_.empty() || !sizes_.empty();
  if (const Status status = short_form_ ? CheckShortForm() : CheckLongForm(); !status.ok()) {
    return status;
  }
  time_ = static_cast<std::uint64_t>(facts_.base_ns);
  data_at_ = data_.data();
  return OkStatus();
}

void BlockDecoder::ContinueAt(std::uint64_t first_event, Instant base) {
  facts_.first_event = first_event;
  facts_.base_ns = base.ns();
  time_ = static_cast<std::uint64_t>(facts_.base_ns);
  shift_ = base - Instant();
}

Status BlockDecoder::ParseRuns(ByteView bytes) {
  if (!TakePacked(bytes, kMaxBlockEvents, runs_)) return Wrong("runs are wrong");
  return OkStatus();
}

Status BlockDecoder::ParseLane(ByteView bytes, Lane& lane) {
  lane = Lane{};
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
                                   : lane.columns[n - 16];
      if (!column.empty()) return Wrong("lane has a column twice");
      column = field.bytes;
    }
  }
  if (lane.events == 0 || lane.events > kMaxBlockEvents - facts_.events) {
    return Wrong("lane has an absurd number of events");
  }
  facts_.events += lane.events;
  const auto fits = [&lane](ByteView column) {
    return column.empty() || column.size() == lane.events;
  };
  if (!std::all_of(lane.time_columns.begin(), lane.time_columns.end(), fits) ||
      !std::all_of(lane.size_columns.begin(), lane.size_columns.end(), fits)) {
    return Wrong("column is not as long as its lane");
  }
  for (const ByteView column : lane.columns) {
    if (!column.empty() && !ArePacked(column, lane.events)) {
      return Wrong("column is not as long as its lane");
    }
  }
  return OkStatus();
}

// The runs and the lanes must tell the same.
Status BlockDecoder::CheckRuns() {
  // Of each lane its events, below 2^42 since runs are at most 2^20, and above that its runs.
  constexpr unsigned kShift = 42;
  static_assert(kMaxBlockEvents <= std::uint64_t{1} << 20);
  std::array<std::uint64_t, kMaxLanes> seen{};
  std::uint32_t longest = 0;
  std::uint32_t shortest = 16;
  for (const std::uint32_t run : runs_) {
    longest = std::max(longest, run);
    shortest = std::min(shortest, run);
    seen[run & 15] += (run >> 4) + (std::uint64_t{1} << kShift);
  }
  if (shortest < 16 || longest >> 4 > kMaxBlockEvents) return Wrong("run is of an absurd length");
  all_brief_ = true;
  for (std::size_t i = 0; i < kMaxLanes; ++i) {
    const std::uint64_t events = seen[i] & ((std::uint64_t{1} << kShift) - 1);
    if (events != (i < lane_count_ ? lanes_[i].events : 0)) {
      return Wrong("runs do not agree with its lanes");
    }
    if (i >= lane_count_) continue;
    const std::size_t heads = seen[i] >> kShift;
    streams_[2 * i] = {&lanes_[i], 0, heads, 0, 0};
    streams_[2 * i + 1] = {&lanes_[i], heads, lanes_[i].events, 0, 0};
    all_brief_ = all_brief_ && !lanes_[i].foreign && !HasDetails(lanes_[i].kind);
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
  facts_.payload_bytes = 0;
  high_ = false;
  for (std::size_t i = 0; i < lane_count_; ++i) {
    const Lane& lane = lanes_[i];
    for (unsigned k = 0; k < 8; ++k) {
      high_ = high_ || (k >= 4 && !lane.time_columns[k].empty());
      (k < 4 ? low : high) += SumOf(lane.time_columns[k]) << 8 * (k % 4);
    }
    std::uint64_t bytes = 0;
    for (unsigned k = 0; k < 3; ++k) bytes += SumOf(lane.size_columns[k]) << 8 * k;
    total += bytes;
    if (!lane.foreign && IsPayload(lane.kind)) facts_.payload_bytes += bytes;
  }
  if (!TakeLength(high, low, facts_.length_ns)) return Wrong("times are absurd");
  if (total != data_.size()) return Wrong("data are not as long as its sizes say");
  const std::size_t room = 2 * lane_count_ * kJoined;
  if (low_times_.size() < room) low_times_.resize(room);
  if (stream_sizes_.size() < room) stream_sizes_.resize(room);
  if (high_ && high_times_.size() < room) high_times_.resize(room);
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
  if (times_.empty()) times_.resize(facts_.events);
  if (sizes_.empty()) sizes_.resize(facts_.events);
  if (times_.size() != facts_.events || sizes_.size() != facts_.events) {
    return Wrong("times or sizes are not as many as its events");
  }
  std::uint64_t high = 0;
  std::uint64_t low = 0;
  for (const std::uint64_t t : times_) {
    high += t >> 32;
    low += t & 0xFFFFFFFF;
  }
  if (!TakeLength(high, low, facts_.length_ns)) return Wrong("times are absurd");
  std::uint64_t total = 0;
  facts_.payload_bytes = 0;
  std::size_t at = 0;
  for (const std::uint32_t run : runs_) {
    std::uint64_t bytes = 0;
    for (const std::size_t end = at + (run >> 4); at < end; ++at) bytes += sizes_[at];
    total += bytes;
    const Lane& lane = lanes_[run & 15];
    if (!lane.foreign && IsPayload(lane.kind)) facts_.payload_bytes += bytes;
  }
  if (total != data_.size()) return Wrong("data are not as long as its sizes say");
  return OkStatus();
}

}  // namespace witness
