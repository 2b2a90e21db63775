#include "capture/examine/examination.h"

#include <algorithm>

#include "capture/examine/findings.h"
#include "capture/examine/lines_of.h"

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
  Gatherer(const CaptureInfo& info, const ExamineOptions& options)
      : findings_(info, options.buffer_size) {
    out_.stamp_uncertainty = options.segmenter.stamp_uncertainty;
    out_.buffer.size = options.buffer_size;
    const Duration character = options.segmenter.character_time;
    if (character > Duration::Zero()) {
      out_.buffer.fills_after = character * static_cast<std::int64_t>(options.buffer_size);
      out_.buffer.bytes_per_second = 1 / character.seconds();
    }
  }

  void Take(const Event& event, std::uint64_t index) {
    ++out_.events;
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      out_.bytes[static_cast<std::size_t>(event.side)] += event.bytes.size();
      if (event.side != Side::kHost) busiest_.Add(event.at, event.bytes.size());
    } else {
      findings_.Take(event, index);
    }
    if (out_.events == 1) first_ = event.at;
    out_.length = event.at - first_;
  }

  void Take(const Segment& segment) {
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
  }

  void Take(const Exchange& exchange) {
    ++out_.exchanges;
    if (exchange.turnaround)
      out_.turnaround.Add(*exchange.turnaround);
    else
      ++out_.unanswered;
    findings_.Take(exchange);
  }

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
  Gatherer gatherer(reader.info(), options);
  ConversationHandlers handlers = also;
  handlers.on_event = [&](const Event& event, std::uint64_t index) {
    gatherer.Take(event, index);
    if (also.on_event) also.on_event(event, index);
  };
  handlers.on_segment = [&](const Segment& segment) {
    gatherer.Take(segment);
    if (also.on_segment) also.on_segment(segment);
  };
  handlers.on_exchange = [&](const Exchange& exchange) {
    gatherer.Take(exchange);
    if (also.on_exchange) also.on_exchange(exchange);
  };
  Conventions conventions;
  const Status status = StreamConversation(reader, options.segmenter, handlers, &conventions);
  if (!status.ok()) return status;
  return gatherer.Finish(conventions);
}

}  // namespace witness
