#include "capture/examine/conversation.h"

#include "capture/examine/exchange_builder.h"

namespace witness {

Status StreamConversation(CaptureReader& reader, const SegmenterOptions& options,
                          const ConversationHandlers& handlers, Conventions* conventions) {
  ExchangeBuilder exchanges(handlers.on_exchange, handlers.on_loose);
  Segmenter segmenter(options, [&](Segment& segment) {
    if (handlers.on_segment) handlers.on_segment(segment);
    exchanges.Take(segment);
  });
  Event event;
  for (;;) {
    const CaptureReader::Outcome outcome = reader.Next(event);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    if (handlers.on_event) handlers.on_event(event, reader.index());
    segmenter.Push(event, reader.index());
    if (handlers.stop && handlers.stop()) break;
  }
  segmenter.Finish();
  exchanges.Finish();
  if (conventions != nullptr) *conventions = segmenter.conventions();
  return OkStatus();
}

Result<WholeConversation> ReadConversation(CaptureReader& reader, const SegmenterOptions& options,
                                           std::size_t max_bytes) {
  WholeConversation out;
  std::size_t bytes = 0;
  ConversationHandlers handlers;
  handlers.on_event = [&](const Event& event, std::uint64_t) {
    bytes += event.bytes.size() + 16;
    if (bytes > max_bytes) out.complete = false;
  };
  handlers.on_exchange = [&](const Exchange& e) { out.exchanges.push_back(e); };
  handlers.on_loose = [&](const Segment& s) { out.loose.push_back(s); };
  handlers.stop = [&] { return !out.complete; };
  const Status status = StreamConversation(reader, options, handlers, &out.conventions);
  if (!status.ok()) return status;
  return out;
}

SegmenterOptions OptionsFor(const CaptureInfo& info) {
  SegmenterOptions options;
  options.stamp_uncertainty = info.stamp_uncertainty;
  for (const Tap& tap : info.taps) {
    const Duration character = tap.got.CharacterTime();
    if (character == Duration::Zero()) continue;
    // Of lines with different rates the fastest: its idle times are never made too short.
    if (options.character_time == Duration::Zero() || character < options.character_time)
      options.character_time = character;
  }
  return options;
}

}  // namespace witness
