// From a capture to its exchanges: reader, segmenter and exchange builder in a row.
#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "capture/base/result.h"
#include "capture/examine/exchange.h"
#include "capture/examine/segment.h"
#include "capture/examine/segmenter.h"
#include "capture/store/capture_reader.h"

namespace witness {

// What a conversation is made of, in the order in which it began. Each may be empty. References
// are valid during the call.
struct ConversationHandlers {
  std::function<void(const Event& event, std::uint64_t index)> on_event;
  std::function<void(const Segment& segment)> on_segment;  // every one, silences and gaps too
  std::function<void(const Exchange& exchange)> on_exchange;
  // Banner, unsolicited outside an exchange, data, silence, gap, line event.
  std::function<void(const Segment& segment)> on_loose;
  // Asked after each event; true ends the reading as if the capture ended there.
  std::function<bool()> stop;
};

// Streams `reader` to its end. Errors are the reader's; damage inside is a gap, not an error.
// `conventions`, if given, gets what the segmenter took for the ways of this line.
Status StreamConversation(CaptureReader& reader, const SegmenterOptions& options,
                          const ConversationHandlers& handlers, Conventions* conventions = nullptr);

// A conversation kept whole, for captures that a person can look through.
struct WholeConversation {
  std::vector<Exchange> exchanges;
  std::vector<Segment> loose;
  Conventions conventions;
  bool complete = true;  // false: `max_bytes` was reached and the rest left out
};

// Everything in memory, as far as its payload fits into `max_bytes`.
Result<WholeConversation> ReadConversation(CaptureReader& reader,
                                           const SegmenterOptions& options = {},
                                           std::size_t max_bytes = 16u << 20);

// What `info` says about the line: character time, stamp uncertainty.
SegmenterOptions OptionsFor(const CaptureInfo& info);

}  // namespace witness
