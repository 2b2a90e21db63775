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
    if (own_ && at_ < events_.size() && batch.events.size() > 2 * kFew) {
      // What waits is likely to be over soon: no more need be moved than that.
      EventBatch some = batch;
      some.events = batch.events.first(kFew);
      some.goes_on = true;
      if (!TakeWhole(some)) return false;
      some = batch;
      some.first += kFew;
      some.events = batch.events.subspan(kFew);
      return TakeWhole(some);
    }
    return TakeWhole(batch);
  }
  // Lets the bytes of no batch be needed behind this.
  void LetGo() {
    if (!own_) KeepBytes();
  }
  // Lets nothing wait. False: the taker wants no more.
  bool Flush() { return Go(true); }

 private:
  using Look = Shortcut::Look;
  using Found = Shortcut::Found;

  Found& now() { return found_[turn_]; }
  const Found& now() const { return found_[turn_]; }

  static constexpr std::size_t kFew = 64;

  bool TakeWhole(const EventBatch& batch) {
    if (at_ < events_.size() && batch.first != first_ + events_.size() && !Flush()) return false;
    Drop();
    const std::size_t waiting = events_.size();
    if (waiting == 0) first_ = batch.first;
    if (waiting == 0) own_ = false;
    events_.insert(events_.end(), batch.events.begin(), batch.events.end());
    if (own_) KeepBytes();
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
  // Has what was found say where its bytes are now.
  void Repoint() {
    Found& found = now();
    const char* const begin = events_[found.begin].data;
    found.exchange.command.bytes = {begin, found.exchange.command.bytes.size()};
    found.exchange.answer.bytes = {events_[found.middle].data, found.exchange.answer.bytes.size()};
    for (PlainSentences::Sentence& sentence : found.sentences)
      sentence.bytes = {begin + (sentence.bytes.data() - found.said.data()), sentence.bytes.size()};
    found.said = {begin, found.said.size()};
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
    if (!taker_.TakesPlain()) return false;
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
        return events_[at_].side == Side::kHost && segmenter_.IsSettled();
      case Shortcut::Way::kSentences:
        allowed_.secrets = taker_.TakesSecrets();
        return segmenter_.IsSettled() && taker_.TakesSentences();
    }
    return false;
  }

  Shortcut::Before BeforeNext() const {
    Shortcut::Before out = before_;
    if (now().middle > now().begin) out.host = events_[now().middle - 1].at;
    out.module = events_[now().end - 1].at;
    return out;
  }

  // now() is followed by something else that is plain: it is taken.
  void Pass() {
    if (passed_.segments == 0) {
      given_ = segmenter_.Settle();
      exchanges_.Finish();
    }
    if (shortcut_->way() == Shortcut::Way::kSentences)
      PassSentences();
    else
      PassExchange();
    at_ = now().end;
    turn_ ^= 1;
  }

  std::span<const BriefEvent> EventsOf(std::size_t from, std::size_t to) const {
    return std::span<const BriefEvent>(events_).subspan(from, to - from);
  }

  void PassExchange() {
    Found& found = now();
    PlainExchange& e = found.exchange;
    e.command.index = given_ + passed_.segments + (found.silent_before ? 1u : 0u);
    e.answer.index = e.command.index + (found.silent_between ? 2u : 1u);
    e.silences = (found.silent_before ? 1u : 0u) + (found.silent_between ? 1u : 0u);
    e.command.events = EventsOf(found.begin, found.middle);
    e.answer.events = EventsOf(found.middle, found.end);
    taker_.TakePlain(std::as_const(e));
    ++passed_.commands;
    passed_.segments += 2 + e.silences;
  }

  void PassSentences() {
    PlainSentences s;
    s.said.index = given_ + passed_.segments + 1;
    s.said.events = EventsOf(now().begin, now().end);
    s.said.bytes = now().said;
    s.sentences = now().sentences;
    taker_.TakePlain(std::as_const(s));
    passed_.segments += 1 + s.sentences.size();
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
      const bool alone =
          early && at_ + 1 < events_.size() && AreApart(brief, events_[at_ + 1]);
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
  Event event_;                     // one for all: they have no details
  Shortcut::Before before_;         // what is at `at_`
  std::unique_ptr<Shortcut> shortcut_;
  bool on_ = false;
  Shortcut::Allowed allowed_;
  // What was found, if on_, which begins at `at_`, and what is looked at behind it: by turns.
  std::array<Found, 2> found_;
  std::size_t turn_ = 0;
  Segmenter::Passed passed_;
  std::uint64_t given_ = 0;  // segments when the shortcut began
};

}  // namespace witness
