#include "capture/examine/examination.h"

#include <algorithm>
#include <array>
#include <span>

#include "capture/examine/conversation_stream.h"
#include "capture/examine/findings.h"

namespace witness {
namespace {

// The most bytes that one side said within a second.
class BusiestSecond {
 public:
  void Add(Instant at, std::size_t bytes) {
    if (!IsNow(at)) {
      second_ = at.ns() / kSecond * kSecond;
      now_ = 0;
    }
    now_ += bytes;
    most_ = std::max(most_, now_);
  }
  // Events in their order, which hold `bytes`.
  void Add(std::span<const BriefEvent> events, std::size_t bytes) {
    if (IsNow(events.front().at) && IsNow(events.back().at)) {
      Add(events.back().at, bytes);
    } else {
      for (const BriefEvent& event : events) Add(event.at, event.size);
    }
  }
  std::uint64_t most() const { return most_; }

 private:
  static constexpr std::int64_t kSecond = 1'000'000'000;
  bool IsNow(Instant at) const {
    return static_cast<std::uint64_t>(at.ns() - second_) < std::uint64_t{kSecond};
  }

  std::int64_t second_ = -kSecond;  // where it begins
  std::uint64_t now_ = 0;
  std::uint64_t most_ = 0;
};

class Gatherer {
 public:
  Gatherer(const CaptureInfo& info, const ExamineOptions& options, const ConversationHandlers& also)
      : findings_(info, options.buffer_size), also_(also), watched_(options.exchanges_watched) {
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
    last_ = event.at;
    if (also_.on_event) also_.on_event(event, index);
  }

  void TakeSegment(const Segment& segment) {
    ++SegmentsOf(segment.kind);
    switch (segment.kind) {
      case SegmentKind::kCommand:
        out_.command_endings.Add(segment.content.all_text, segment.ending);
        CommandBegan(segment.from);
        break;
      case SegmentKind::kReply:
        out_.reply_endings.Add(segment.content.all_text, segment.ending);
        TakeReply(segment);
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
    if (also_.on_exchange && out_.exchanges <= watched_) also_.on_exchange(exchange);
  }

  void TakeLoose(const Segment& segment) {
    if (also_.on_loose) also_.on_loose(segment);
  }

  // PlainRow::kMost at most.
  void TakePlain(std::span<const PlainExchange> row) {
    const BriefEvent* const first = row.front().command.first;
    const BriefEvent* const end = row.back().answer.first + row.back().answer.count;
    out_.events += static_cast<std::uint64_t>(end - first);
    out_.plain_events += static_cast<std::uint64_t>(end - first);
    last_ = row.back().answer.to();
    plain_ += row.size();

    // What counts is told to each in one go.
    std::uint64_t host_bytes = 0, module_bytes = 0, silences = 0;
    Instant ended = answer_end_;
    for (std::size_t i = 0; i < row.size(); ++i) {
      const PlainExchange& e = row[i];
      between_[i] = e.command.from() - ended;
      turnarounds_[i] = e.answer.from() - e.command.to();
      ended = e.answer.to();
      host_bytes += e.command.size;
      module_bytes += e.answer.size;
      silences += (e.silent_before ? 1u : 0u) + (e.silent_between ? 1u : 0u);
      ++plain_commands_[e.command_content->sort_of_ending];
      ++plain_answers_[e.answer_content->sort_of_ending];
      busiest_.Add(e.answer.events(), e.answer.size);
      SizeOfReply(e.answer_index, e.answer.size);
    }
    out_.bytes[static_cast<std::size_t>(Side::kHost)] += host_bytes;
    out_.bytes[static_cast<std::size_t>(Side::kModule)] += module_bytes;
    plain_silences_ += silences;
    const std::span<const Duration> since = {between_.data(), row.size()};
    out_.between_exchanges.Add(since.subspan(answer_over_ ? 0 : 1));
    out_.turnaround.Add({turnarounds_.data(), row.size()});
    answer_over_ = true;
    answer_end_ = ended;
    findings_.Take(row, AddPauses({first, end}));
  }

  void TakePlain(const PlainSentences& s) {
    out_.events += s.said.count;
    out_.plain_events += s.said.count;
    out_.bytes[static_cast<std::size_t>(Side::kModule)] += s.said.size;
    busiest_.Add(s.said.events(), s.said.size);
    last_ = s.said.to();
    SegmentsOf(SegmentKind::kUnsolicited) += s.sentences.size();
    ++SegmentsOf(SegmentKind::kSilence);
    findings_.Take(s);
  }

  // Whether talk that leaves no doubt may come in place of its events, segments and exchanges.
  bool TakesPlain() const {
    return !WatchesSegments() && !WatchesExchanges() && findings_.TakesPlain();
  }
  bool TakesSentences() const { return !WatchesSegments() && findings_.TakesSentences(); }
  bool TakesSecrets() const { return findings_.TakesSecrets(); }
  bool TakesLooseReturns() const { return findings_.TakesLooseReturns(); }

  bool WatchesEvents() const { return static_cast<bool>(also_.on_event); }
  bool Stopped() const { return also_.stop && also_.stop(); }

  Examination Finish(const Conventions& conventions) {
    out_.conventions = conventions;
    AddPlain();
    if (out_.events > 0) out_.length = last_ - first_;
    if (out_.buffer.bytes_per_second > 0)
      out_.buffer.busiest_share =
          static_cast<double>(busiest_.most()) / out_.buffer.bytes_per_second;
    out_.findings = findings_.Finish(out_);
    return std::move(out_);
  }

 private:
  // Whether somebody wants to have all that is said, or the next exchange.
  bool WatchesSegments() const { return also_.on_event || also_.on_segment || also_.on_loose; }
  bool WatchesExchanges() const { return also_.on_exchange && out_.exchanges + plain_ < watched_; }

  std::uint64_t& SegmentsOf(SegmentKind kind) {
    return out_.segments[static_cast<std::size_t>(kind)];
  }

  // Adds what was only counted so far.
  void AddPlain() {
    SegmentsOf(SegmentKind::kCommand) += plain_;
    SegmentsOf(SegmentKind::kReply) += plain_;
    SegmentsOf(SegmentKind::kSilence) += plain_silences_;
    out_.exchanges += plain_;
    const auto add = [](const EndingCounts& counts, EndingTally& to) {
      to.none += counts[static_cast<std::size_t>(LineEnding::kNone)];
      to.cr += counts[static_cast<std::size_t>(LineEnding::kCr)];
      to.lf += counts[static_cast<std::size_t>(LineEnding::kLf)];
      to.cr_lf += counts[static_cast<std::size_t>(LineEnding::kCrLf)];
      to.not_text += counts.back();
    };
    add(plain_commands_, out_.command_endings);
    add(plain_answers_, out_.reply_endings);
  }

  void CommandBegan(Instant at) {
    if (answer_over_) out_.between_exchanges.Add(at - answer_end_);
    answer_over_ = false;
  }

  void TakeReply(const Segment& reply) {
    for (std::size_t i = 1; i < reply.pieces.size(); ++i) {
      const Duration pause = reply.pieces[i].at - reply.pieces[i - 1].at;
      if (pause > Duration::Zero()) out_.pause_in_reply.Add(pause);
    }
    SizeOfReply(reply.index, reply.bytes.size());
    answer_over_ = true;
    answer_end_ = reply.to;
  }

  void SizeOfReply(std::uint64_t index, std::size_t size) {
    if (size > out_.buffer.largest_reply) {
      out_.buffer.largest_reply = size;
      out_.buffer.largest_reply_segment = index;
    }
    if (size > out_.buffer.size) ++out_.buffer.replies_that_do_not_fit;
  }

  // Of the events of plain exchanges: the module goes on within its answers only. The longest.
  Duration AddPauses(std::span<const BriefEvent> events) {
    Duration longest;
    for (std::size_t at = 1; at < events.size();) {
      const std::size_t end = std::min(events.size(), at + pauses_.size());
      std::size_t count = 0;
      Instant last = events[at - 1].at;
      unsigned before = static_cast<unsigned>(events[at - 1].side);
      for (; at < end; ++at) {
        // Here there are the two sides only, and of their numbers one has the bit.
        static_assert((static_cast<unsigned>(Side::kHost) & 2) == 0 &&
                      static_cast<unsigned>(Side::kModule) == 2);
        const auto side = static_cast<unsigned>(events[at].side);
        pauses_[count] = Duration::Nanoseconds(events[at].at.ns() - last.ns());
        count += (before & side) >> 1;
        last = events[at].at;
        before = side;
      }
      const std::span<const Duration> pauses = {pauses_.data(), count};
      for (const Duration pause : pauses) longest = std::max(longest, pause);
      out_.pause_in_reply.Add(pauses);
    }
    return longest;
  }

  Examination out_;
  FindingCollector findings_;
  const ConversationHandlers& also_;
  std::uint64_t watched_;  // exchanges
  BusiestSecond busiest_;
  Instant first_, last_;  // events
  Instant answer_end_;
  bool answer_over_ = false;
  // Of plain exchanges.
  using EndingCounts = std::array<std::uint64_t, PlainContent::kEndings>;
  std::uint64_t plain_ = 0, plain_silences_ = 0;
  EndingCounts plain_commands_ = {}, plain_answers_ = {};
  std::array<Duration, PlainRow::kMost> between_, turnarounds_;  // of a row
  std::array<Duration, 256> pauses_;
};

}  // namespace

Result<Examination> Examine(CaptureReader& reader, const ExamineOptions& options,
                            const ConversationHandlers& also) {
  Gatherer gatherer(reader.info(), options, also);
  Conventions conventions;
  const Status status = StreamTo(reader, options.segmenter, gatherer, &conventions);
  if (!status.ok()) return status;
  return gatherer.Finish(conventions);
}

}  // namespace witness
