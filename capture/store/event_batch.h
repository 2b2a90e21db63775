// Many events at a time, for those who take millions: CaptureReader::NextBatch() gives them.
//
//   EventBatch batch;
//   CaptureReader::Outcome outcome;
//   while ((outcome = reader.NextBatch(batch)) == CaptureReader::Outcome::kEvent) {
//     if (batch.details != nullptr) { ... line change, error counts, pin, gap: one Event ... }
//     else for (const BriefEvent& e : batch.events) { ... e.at, e.side, e.kind, e.bytes() ... }
//   }
//
// Nothing is copied: `data` points into the block that was decompressed, where the bytes of a
// batch's events follow each other without a gap. So nearly all of the time goes to decompression,
// which for long captures is done on another thread.
#pragma once

#include <cstdint>
#include <span>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/store/event.h"

namespace witness {

// All there is to say of an event of kind bytes, bad byte, break or note.
struct BriefEvent {
  Instant at;
  const char* data = nullptr;
  std::uint32_t size = 0;
  EventKind kind = EventKind::kBytes;
  Side side = Side::kUnknown;

  ByteView bytes() const { return ByteView(data, size); }
};

// Kinds of which BriefEvent does not say all.
constexpr bool HasDetails(EventKind kind) {
  return kind >= EventKind::kLineChange && kind != EventKind::kNote;
}

// Some hundred events that follow each other in the capture. Never empty when it is given.
struct EventBatch {
  std::uint64_t first = 0;  // place in the capture of events[0]; that of events[i] is first + i
  std::span<const BriefEvent> events;
  // Not null: there is just one event, of a kind that HasDetails(), and this is all of it.
  const Event* details = nullptr;
  // The bytes stay where they are through the next call, too, and those of the next batch follow on
  // them.
  bool goes_on = false;
};

}  // namespace witness
