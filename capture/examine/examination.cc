#include "capture/examine/examination.h"

#include <algorithm>

#include "capture/examine/conversation_stream.h"
#include "capture/examine/findings.h"

namespace witness {
namespace {

// The most bytes that one side said within a second.
class BusiestSecond {
 public:
  void Add(Instant at, std::size_t bytes) {
    const std::int64_t second = at.ns() / 1'000'000'000;
    if (second != second_) {
      second_ = second;
      now_ = 0;
    }
    now_ += bytes;
    most_ = std::max(most_, now_);
  }
  std::uint64_t most() const { return most_; }

 private:
  std::int64_t second_ = -1;
  std::uint64_t now_ = 0;
  std::uint64_t most_ = 0;
};

class Gatherer {
 public:
  Gatherer(const CaptureInfo& info, const ExamineOptions& options, const ConversationHandlers& also)
      : findings_(info, options.buffer_size), also_(also) {
    out_.stamp_uncertainty = options.segmenter.stamp_uncertainty;
    out_.buffer.size = options.buffer_size;
    const Duration character = options.segmenter.character_time;
    if (character > Duration::Zero()) {
      out_.buffer.fills_after = character * static_cast<std::int64_t>(options.buffer_size);
      out_.buffer.bytes_per_second = 1 / character.seconds();
    }
  }

  void TakeEvent(const Event& event, std::uint64_t index) {
    ++out_.events;
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      out_.bytes[static_cast<std::size_t>(event.side)] += event.bytes.size();
      if (event.side != Side::kHost) busiest_.Add(event.at, event.bytes.size());
    } else {
      findings_.Take(event, index);
    }
    if (out_.events == 1) first_ = event.at;
    out_.length = event.at - first_;
    if (also_.on_event) also_.on_event(event, index);
  }

  void TakeSegment(const Segment& segment) {
    ++out_.segments[static_cast<std::size_t>(segment.kind)];
    switch (segment.kind) {
      case SegmentKind::kCommand:
        out_.command_endings.Add(segment);
        if (answer_over_) {
          out_.between_exchanges.Add(segment.from - answer_end_);
          answer_over_ = false;
        }
        break;
      case SegmentKind::kReply:
        out_.reply_endings.Add(segment);
        for (std::size_t i = 1; i < segment.pieces.size(); ++i) {
          const Duration pause = segment.pieces[i].at - segment.pieces[i - 1].at;
          if (pause > Duration::Zero()) out_.pause_in_reply.Add(pause);
        }
        if (segment.bytes.size() > out_.buffer.largest_reply) {
          out_.buffer.largest_reply = segment.bytes.size();
          out_.buffer.largest_reply_segment = segment.index;
        }
        if (segment.bytes.size() > out_.buffer.size) ++out_.buffer.replies_that_do_not_fit;
        answer_end_ = segment.to;
        answer_over_ = true;
        break;
      default:
        break;
    }
    findings_.Take(segment);
    if (also_.on_segment) also_.on_segment(segment);
  }

  void TakeExchange(const Exchange& exchange) {
    ++out_.exchanges;
    if (exchange.turnaround)
      out_.turnaround.Add(*exchange.turnaround);
    else
      ++out_.unanswered;
    findings_.Take(exchange);
    if (also_.on_exchange) also_.on_exchange(exchange);
  }

  void TakeLoose(const Segment& segment) {
    if (also_.on_loose) also_.on_loose(segment);
  }

  bool WatchesEvents() const { return static_cast<bool>(also_.on_event); }
  bool Stopped() const { return also_.stop && also_.stop(); }

  Examination Finish(const Conventions& conventions) {
    out_.conventions = conventions;
    if (out_.buffer.bytes_per_second > 0)
      out_.buffer.busiest_share =
          static_cast<double>(busiest_.most()) / out_.buffer.bytes_per_second;
    out_.findings = findings_.Finish(out_);
    return std::move(out_);
  }

 private:
  Examination out_;
  FindingCollector findings_;
  const ConversationHandlers& also_;
  BusiestSecond busiest_;
  Instant first_;
  Instant answer_end_;
  bool answer_over_ = false;
};

}  // namespace

void EndingTally::Add(const Segment& segment) {
  if (!segment.content.all_text) {
    ++not_text;
    return;
  }
  switch (segment.ending) {
    case LineEnding::kNone:
      ++none;
      break;
    case LineEnding::kCr:
      ++cr;
      break;
    case LineEnding::kLf:
      ++lf;
      break;
    case LineEnding::kCrLf:
      ++cr_lf;
      break;
  }
}

Result<Examination> Examine(CaptureReader& reader, const ExamineOptions& options,
                            const ConversationHandlers& also) {
  Gatherer gatherer(reader.info(), options, also);
  Conventions conventions;
  const Status status = StreamTo(reader, options.segmenter, gatherer, &conventions);
  if (!status.ok()) return status;
  return gatherer.Finish(conventions);
}

}  // namespace witness
