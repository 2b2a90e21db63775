// The reading of a capture behind StreamConversation() and Examine(): one call for each event,
// segment and exchange, to a taker that the compiler knows, since there are millions of them.
#pragma once

#include <cstdint>

#include "capture/base/result.h"
#include "capture/examine/exchange_builder.h"
#include "capture/examine/segmenter.h"
#include "capture/store/capture_reader.h"

namespace witness {

// What Segmenter::Push() wants of two events that follow each other to take the first for alone.
inline bool AreApart(const BriefEvent& event, const BriefEvent& next) {
  return event.kind == EventKind::kBytes && next.kind == EventKind::kBytes &&
         (event.at != next.at || event.side != next.side);
}

// `taker` has TakeEvent(const Event&, index), TakeSegment(const Segment&), TakeExchange(const
// Exchange&), TakeLoose(const Segment&) and bool Stopped(), as ConversationHandlers says of its
// functions. bool WatchesEvents(): whether it matters to it that a segment comes
// behind the event that shows that it is complete; else it may come one event sooner.
template <typename Taker>
Status StreamTo(CaptureReader& reader, const SegmenterOptions& options, Taker& taker,
                Conventions* conventions) {
  ExchangeBuilder exchanges([&](const Exchange& exchange) { taker.TakeExchange(exchange); },
                            [&](const Segment& segment) { taker.TakeLoose(segment); });
  Segmenter segmenter(options, [&](Segment& segment) {
    taker.TakeSegment(segment);
    exchanges.Take(segment);
  });
  const auto take = [&](const Event& event, std::uint64_t index, bool alone) {
    taker.TakeEvent(event, index);
    segmenter.Push(event, index, alone);
    return !taker.Stopped();
  };
  EventBatch batch;
  Event event;  // one for all that have no details
  const bool early = !taker.WatchesEvents();
  bool going = true;
  while (going) {
    const CaptureReader::Outcome outcome = reader.NextBatch(batch);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    if (batch.details != nullptr) {
      going = take(*batch.details, batch.first, false);
      continue;
    }
    for (std::size_t i = 0; going && i < batch.events.size(); ++i) {
      const BriefEvent& brief = batch.events[i];
      event.at = brief.at;
      event.kind = brief.kind;
      event.side = brief.side;
      event.bytes = brief.bytes();
      const bool alone =
          early && i + 1 < batch.events.size() && AreApart(brief, batch.events[i + 1]);
      going = take(event, batch.first + i, alone);
    }
  }
  segmenter.Finish();
  exchanges.Finish();
  if (conventions != nullptr) *conventions = segmenter.conventions();
  return OkStatus();
}

}  // namespace witness
