// The reading of a capture behind StreamConversation() and Examine(): one call for each event,
// segment and exchange, to a taker that the compiler knows, since there are millions of them.
#pragma once

#include <cstdint>

#include "capture/base/result.h"
#include "capture/examine/exchange_builder.h"
#include "capture/examine/plain/plain_path.h"
#include "capture/examine/segmenter.h"
#include "capture/store/capture_reader.h"

namespace witness {

// `taker` has TakeEvent(const Event&, index), TakeSegment(const Segment&), TakeExchange(const
// Exchange&), TakeLoose(const Segment&) and bool Stopped(), as ConversationHandlers says of its
// functions. bool WatchesEvents(): whether it matters to it that a segment comes behind the event
// that shows that it is complete; else it may come one event sooner.
// TakePlain(std::span<const PlainExchange>), some that follow each other without anything in
// between, TakePlain(const PlainSentences&): takes such in place of all these; bool TakesPlain(),
// TakesSentences(), TakesSecrets() and TakesLooseReturns(): whether it would, and what may be in
// it.
template <typename Taker>
Status StreamTo(CaptureReader& reader, const SegmenterOptions& options, Taker& taker,
                Conventions* conventions) {
  ExchangeBuilder exchanges([&](const Exchange& exchange) { taker.TakeExchange(exchange); },
                            [&](const Segment& segment) { taker.TakeLoose(segment); });
  Segmenter segmenter(options, [&](Segment& segment) {
    taker.TakeSegment(segment);
    exchanges.Take(segment);
  });
  PlainPath<Taker> path(options, segmenter, exchanges, taker);
  EventBatch batch;
  bool going = true;
  while (going) {
    const CaptureReader::Outcome outcome = reader.NextBatch(batch);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    if (batch.details == nullptr) {
      going = path.Take(batch);
    } else if ((going = path.Flush())) {
      taker.TakeEvent(*batch.details, batch.first);
      segmenter.Push(*batch.details, batch.first);
      going = !taker.Stopped();
    }
  }
  if (going) path.Flush();
  segmenter.Finish();
  exchanges.Finish();
  if (conventions != nullptr) *conventions = segmenter.conventions();
  return OkStatus();
}

}  // namespace witness
