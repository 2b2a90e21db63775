// The reading of a capture behind StreamConversation() and Examine(): one call for each event,
// segment and exchange, to a taker that the compiler knows, since there are millions of them.
#pragma once

#include <cstdint>

#include "capture/base/result.h"
#include "capture/examine/exchange_builder.h"
#include "capture/examine/segmenter.h"
#include "capture/store/capture_reader.h"

namespace witness {

// `taker` has TakeEvent(const Event&, index), TakeSegment(const Segment&), TakeExchange(const
// Exchange&), TakeLoose(const Segment&) and bool Stopped(), as ConversationHandlers says of its
// functions.
template <typename Taker>
Status StreamTo(CaptureReader& reader, const SegmenterOptions& options, Taker& taker,
                Conventions* conventions) {
  ExchangeBuilder exchanges([&](const Exchange& exchange) { taker.TakeExchange(exchange); },
                            [&](const Segment& segment) { taker.TakeLoose(segment); });
  Segmenter segmenter(options, [&](Segment& segment) {
    taker.TakeSegment(segment);
    exchanges.Take(segment);
  });
  const auto take = [&](const Event& event, std::uint64_t index) {
    taker.TakeEvent(event, index);
    segmenter.Push(event, index);
    return !taker.Stopped();
  };
  EventBatch batch;
  Event event;  // one for all that have no details
  bool going = true;
  while (going) {
    const CaptureReader::Outcome outcome = reader.NextBatch(batch);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    std::uint64_t index = batch.first;
    if (batch.details != nullptr) {
      going = take(*batch.details, index);
      continue;
    }
    for (const BriefEvent& brief : batch.events) {
      event.at = brief.at;
      event.kind = brief.kind;
      event.side = brief.side;
      event.bytes = brief.bytes();
      if (!(going = take(event, index++))) break;
    }
  }
  segmenter.Finish();
  exchanges.Finish();
  if (conventions != nullptr) *conventions = segmenter.conventions();
  return OkStatus();
}

}  // namespace witness
