// The way of a capture's events: past the segmenter where they are plain, else through it.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "capture/examine/exchange_builder.h"
#include "capture/examine/plain/shortcut.h"
#include "capture/examine/segmenter.h"
#include "capture/store/event_batch.h"

namespace witness {

// What Segmenter::Push() wants of two events that follow each other to take the first for alone.
inline bool AreApart(const BriefEvent& event, const BriefEvent& next) {
  return event.kind == EventKind::kBytes && next.kind == EventKind::kBytes &&
         (event.at != next.at || event.side != next.side);
}

// `taker`: see StreamTo().
template <typename Taker>
class PlainPath {
 public:
  // All must outlive it. The segmenter hands on to `taker` and to `exchanges`.
  PlainPath(const SegmenterOptions& options, Segmenter& segmenter, ExchangeBuilder& exchanges,
            Taker& taker)
      : options_(options), segmenter_(segmenter), exchanges_(exchanges), taker_(taker) {}

  // Takes a batch without details. False: the taker wants no more.
  bool Take(const EventBatch& batch) {
    if (at_ < events_.size() && batch.first != first_ + events_.size() && !Flush()) return false;
    Drop();
    const std::size_t waiting = events_.size();
    if (waiting == 0) first_ = batch.first;
    if (waiting == 0) own_ = false;
    Append(batch.events);
    if (own_)
      KeepBytes();
    else if (on_)
      Repoint();
    if (!Go(false)) return false;
    if (own_ && at_ >= waiting) {
      // Nothing is left of what had to be kept.
      for (std::size_t i = at_; i < events_.size(); ++i)
        events_[i].data = batch.events[i - waiting].data;
      if (on_) Repoint();
      own_ = false;
    }
    if (!batch.goes_on && !own_) KeepBytes();
    return true;
  }
  // Lets nothing wait. False: the taker wants no more.
  bool Flush() { return Go(true); }

 private:
  using Look = Shortcut::Look;
  using Burst = Shortcut::Burst;

  bool BySentences() const { return shortcut_->way() == Shortcut::Way::kSentences; }
  Burst& burst() { return bursts_[turn_]; }

  // Forgets the events that were taken.
  void Drop() {
    std::copy(events_.begin() + static_cast<std::ptrdiff_t>(at_), events_.end(), room_.begin());
    events_ = {room_.data(), events_.size() - at_};
    first_ += at_;
    end_ -= std::min(at_, end_);
    at_ = 0;
  }

  void Append(std::span<const BriefEvent> events) {
    const std::size_t before = events_.size(), now = before + events.size();
    if (room_.size() < now) room_.resize(2 * now);
    std::copy(events.begin(), events.end(), room_.begin() + static_cast<std::ptrdiff_t>(before));
    events_ = {room_.data(), now};
  }

  // The bytes of the events that wait are moved to where they stay, one after the other.
  void KeepBytes() {
    spare_.clear();
    for (std::size_t i = at_; i < events_.size(); ++i) spare_ += events_[i].bytes();
    bytes_.swap(spare_);
    const char* data = bytes_.data();
    for (std::size_t i = at_; i < events_.size(); ++i) {
      events_[i].data = data;
      data += events_[i].size;
    }
    if (on_) Repoint();
    own_ = true;
  }
  // Has what was found say where its events and bytes are now.
  void Repoint() {
    if (BySentences()) {
      PlainSaid& said = burst().said;
      said.first = events_.data() + at_;
      const char* to = said.first->data;
      for (PlainSentences::Sentence& sentence : burst().sentences) {
        sentence.bytes = {to, sentence.bytes.size()};
        to += sentence.bytes.size();
      }
    } else {
      row_[0].command.first = events_.data() + at_;
      row_[0].answer.first = row_[0].command.first + row_[0].command.count;
    }
  }

  // `all`: nothing may be left for later.
  bool Go(bool all) {
    for (;;) {
      if (on_) {
        const Look look = BySentences() ? NextSentences() : NextExchanges();
        if (look == Look::kPlain) continue;
        if (look == Look::kMore && !all) return true;
        Leave();
        if (!Push(end_)) return false;
        continue;
      }
      if (at_ == events_.size()) return true;
      if (MayBegin()) {
        const Look look = BySentences() ? FirstSentences() : FirstExchange();
        if (on_) continue;
        if (look == Look::kMore && !all) return true;
      }
      // Whether the last is a burst of its own shows when the next comes.
      if (!all && !taker_.WatchesEvents() && at_ + 1 == events_.size()) return true;
      if (!Push(at_ + 1)) return false;
    }
  }

  bool MayBegin() {
    if (!taker_.TakesPlain() && !taker_.TakesSentences()) return false;
    if (shortcut_ == nullptr) {
      if (!segmenter_.IsSettled()) return false;
      shortcut_ = std::make_unique<Shortcut>(segmenter_.conventions(), options_);
    }
    switch (shortcut_->way()) {
      case Shortcut::Way::kNone:
        return false;
      case Shortcut::Way::kText:
      case Shortcut::Way::kBlocks:
        allowed_.loose_returns = taker_.TakesLooseReturns();
        return events_[at_].side == Side::kHost && segmenter_.IsSettled() && taker_.TakesPlain();
      case Shortcut::Way::kSentences:
        allowed_.secrets = taker_.TakesSecrets();
        return segmenter_.IsSettled() && taker_.TakesSentences();
    }
    return false;
  }

  // What stands at `at_`. Exchanges that follow on it may be passed at once.
  Look FirstExchange() {
    row_.Clear();
    const Look look = shortcut_->ExchangesAt(events_, at_, before_.module, allowed_, row_);
    on_ = row_.size() > 0;
    if (on_) PassAllButLast();
    return look;
  }
  Look NextExchanges() {
    const Look look = shortcut_->ExchangesAt(events_, end_, row_[0].answer.to(), allowed_, row_);
    PassAllButLast();
    return look;
  }
  // Each is followed by something else that is plain, but for the last.
  void PassAllButLast() {
    const std::size_t count = row_.size() - 1;
    if (count > 0) {
      BeginToPass();
      for (std::size_t i = 0; i < count; ++i) {
        PlainExchange& e = row_[i];
        e.answer_index =
            next_index_ + 1 + (e.silent_before ? 1u : 0u) + (e.silent_between ? 1u : 0u);
        next_index_ = e.answer_index + 1;
      }
      const std::span<const PlainExchange> passed = row_.exchanges().first(count);
      taker_.TakePlain(passed);
      passed_.commands += count;
      passed_.segments = next_index_ - given_;
      before_ = {passed.back().command.to(), passed.back().answer.to()};
      row_.DropAllButLast();
    }
    at_ = static_cast<std::size_t>(row_[0].command.first - events_.data());
    end_ = at_ + row_[0].command.count + row_[0].answer.count;
  }

  Look FirstSentences() {
    const Look look = shortcut_->SentencesAt(events_, at_, before_.module, allowed_, burst());
    on_ = look == Look::kPlain;
    end_ = burst().end;
    return look;
  }
  Look NextSentences() {
    Burst& next = bursts_[turn_ ^ 1];
    const Instant before = burst().said.to();
    const Look look = shortcut_->SentencesAt(events_, end_, before, allowed_, next);
    if (look != Look::kPlain) return look;
    BeginToPass();
    const std::uint64_t index = next_index_ + 1;  // the silence before it
    next_index_ = index + burst().sentences.size();
    taker_.TakePlain(PlainSentences{burst().said, index, burst().sentences});
    passed_.segments = next_index_ - given_;
    before_.module = before;
    at_ = next.begin;
    end_ = next.end;
    turn_ ^= 1;
    return look;
  }

  void BeginToPass() {
    if (passed_.segments > 0) return;
    next_index_ = given_ = segmenter_.Settle();
    exchanges_.Finish();
  }

  // What begins at `at_` is the last: it goes through the segmenter.
  void Leave() {
    if (passed_.segments > 0) {
      passed_.host_last = before_.host;
      passed_.module_last = before_.module;
      segmenter_.PassOver(passed_);
      passed_ = {};
    }
    on_ = false;
  }

  // Events up to `end` go through the segmenter.
  bool Push(std::size_t end) {
    const bool early = !taker_.WatchesEvents();
    for (; at_ < end; ++at_) {
      const BriefEvent& brief = events_[at_];
      event_.at = brief.at;
      event_.kind = brief.kind;
      event_.side = brief.side;
      event_.bytes = brief.bytes();
      if (brief.kind <= EventKind::kBadByte && brief.size > 0)
        (brief.side == Side::kHost ? before_.host : before_.module) = brief.at;
      const bool alone = early && at_ + 1 < events_.size() && AreApart(brief, events_[at_ + 1]);
      taker_.TakeEvent(event_, first_ + at_);
      segmenter_.Push(event_, first_ + at_, alone);
      if (taker_.Stopped()) return false;
    }
    return true;
  }

  const SegmenterOptions& options_;
  Segmenter& segmenter_;
  ExchangeBuilder& exchanges_;
  Taker& taker_;
  std::vector<BriefEvent> room_;  // for events, used again
  std::span<BriefEvent> events_;  // those that came and were not dropped: they lie there
  std::size_t at_ = 0;            // the first that was not taken
  std::uint64_t first_ = 0;       // place of events_[0] in the capture
  Bytes bytes_, spare_;           // of those, if own_
  bool own_ = false;
  Event event_;  // one for all: they have no details
  // When who spoke last before what is at `at_`.
  struct {
    Instant host, module;
  } before_;
  std::unique_ptr<Shortcut> shortcut_;
  bool on_ = false;
  Shortcut::Allowed allowed_;
  // If on_: what is plain from `at_` to `end_`, and waits for what follows to be plain, too. The
  // first exchange of the row, or one of the bursts, by turns.
  std::size_t end_ = 0;
  PlainRow row_;
  std::array<Burst, 2> bursts_;
  std::size_t turn_ = 0;
  Segmenter::Passed passed_;
  std::uint64_t given_ = 0;       // segments when the shortcut began
  std::uint64_t next_index_ = 0;  // of a segment
};

}  // namespace witness
