#include "capture/examine/conversation.h"

#include <span>

#include "capture/examine/conversation_stream.h"

namespace witness {

namespace {

class HandlersTaker {
 public:
  explicit HandlersTaker(const ConversationHandlers& handlers) : handlers_(handlers) {}

  void TakeEvent(const Event& event, std::uint64_t index) {
    if (handlers_.on_event) handlers_.on_event(event, index);
  }
  void TakeSegment(const Segment& segment) {
    if (handlers_.on_segment) handlers_.on_segment(segment);
  }
  void TakeExchange(const Exchange& exchange) {
    if (handlers_.on_exchange) handlers_.on_exchange(exchange);
  }
  void TakeLoose(const Segment& segment) {
    if (handlers_.on_loose) handlers_.on_loose(segment);
  }
  bool WatchesEvents() const { return true; }
  // Every segment is wanted.
  static constexpr bool TakesPlain() { return false; }
  static constexpr bool TakesSentences() { return false; }
  static constexpr bool TakesSecrets() { return false; }
  static constexpr bool TakesLooseReturns() { return false; }
  void TakePlain(std::span<const PlainExchange>) {}
  void TakePlain(const PlainSentences&) {}
  bool Stopped() const { return handlers_.stop && handlers_.stop(); }

 private:
  const ConversationHandlers& handlers_;
};

}  // namespace

Status StreamConversation(CaptureReader& reader, const SegmenterOptions& options,
                          const ConversationHandlers& handlers, Conventions* conventions) {
  HandlersTaker taker(handlers);
  return StreamTo(reader, options, taker, conventions);
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
