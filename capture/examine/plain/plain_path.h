// The way of a capture's events: past the segmenter where they are plain, else through it.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <span>
#include <utility>
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
    events_.insert(events_.end(), batch.events.begin(), batch.events.end());
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
  using Found = Shortcut::Found;

  Found& now() { return found_[turn_]; }
  const Found& now() const { return found_[turn_]; }

  // Forgets the events that were taken.
  void Drop() {
    events_.erase(events_.begin(), events_.begin() + static_cast<std::ptrdiff_t>(at_));
    first_ += at_;
    if (on_) {
      now().begin -= at_;
      now().middle -= at_;
      now().end -= at_;
    }
    at_ = 0;
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
    Found& found = now();
    const auto repoint = [this](PlainSaid& said, std::size_t at) {
      said.events = {events_.data() + at, said.events.size()};
      said.bytes = {events_[at].data, said.bytes.size()};
    };
    if (shortcut_->way() == Shortcut::Way::kSentences) {
      const char* const before = found.said.bytes.data();
      repoint(found.said, found.begin);
      for (PlainSentences::Sentence& sentence : found.sentences)
        sentence.bytes = {found.said.bytes.data() + (sentence.bytes.data() - before),
                          sentence.bytes.size()};
    } else {
      repoint(found.exchange.command, found.begin);
      repoint(found.exchange.answer, found.middle);
    }
  }

  // `all`: nothing may be left for later.
  bool Go(bool all) {
    for (;;) {
      if (on_) {
        const Shortcut::Before next = BeforeNext();
        const Look look = shortcut_->At(events_, now().end, next, allowed_, found_[turn_ ^ 1]);
        if (look == Look::kMore && !all) return true;
        if (look == Look::kPlain) {
          Pass();
          before_ = next;
          continue;
        }
        Leave();
        if (!Push(now().end)) return false;
        continue;
      }
      if (at_ == events_.size()) return true;
      if (MayBegin()) {
        const Look look = shortcut_->At(events_, at_, before_, allowed_, now());
        if (look == Look::kMore && !all) return true;
        if (look == Look::kPlain) {
          on_ = true;
          continue;
        }
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

  Shortcut::Before BeforeNext() const {
    const Found& found = now();
    if (shortcut_->way() == Shortcut::Way::kSentences) return {before_.host, found.said.to()};
    return {found.exchange.command.to(), found.exchange.answer.to()};
  }

  // now() is followed by something else that is plain: it is taken.
  void Pass() {
    if (passed_.segments == 0) {
      next_index_ = given_ = segmenter_.Settle();
      exchanges_.Finish();
    }
    Found& found = now();
    if (shortcut_->way() == Shortcut::Way::kSentences) {
      found.said.index = next_index_ + 1;  // the silence before it
      next_index_ = found.said.index + found.sentences.size();
      taker_.TakePlain(PlainSentences{found.said, found.sentences});
    } else {
      PlainExchange& e = found.exchange;
      e.command.index = next_index_ + (e.silent_before ? 1u : 0u);
      e.answer.index = e.command.index + (e.silent_between ? 2u : 1u);
      next_index_ = e.answer.index + 1;
      taker_.TakePlain(std::as_const(e));
      ++passed_.commands;
    }
    passed_.segments = next_index_ - given_;
    at_ = found.end;
    turn_ ^= 1;
  }

  // now() is the last: it goes through the segmenter.
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
  std::vector<BriefEvent> events_;  // those that came and were not dropped
  std::size_t at_ = 0;              // the first that was not taken
  std::uint64_t first_ = 0;         // place of events_[0] in the capture
  Bytes bytes_, spare_;             // of those, if own_
  bool own_ = false;
  Event event_;              // one for all: they have no details
  Shortcut::Before before_;  // what is at `at_`
  std::unique_ptr<Shortcut> shortcut_;
  bool on_ = false;
  Shortcut::Allowed allowed_;
  // What was found, if on_, which begins at `at_`, and what is looked at behind it: by turns.
  std::array<Found, 2> found_;
  std::size_t turn_ = 0;
  Segmenter::Passed passed_;
  std::uint64_t given_ = 0;       // segments when the shortcut began
  std::uint64_t next_index_ = 0;  // of a segment
};

}  // namespace witness
