// Takes talk that leaves no doubt past the segmenter: a command in good order, its answer, the next
// command. Most of a long talk is of that sort, and of shapes that were seen before.
//
// What comes of it is the same as if the segmenter had taken it apart. So a shortcut begins only
// where the segmenter is settled, its conventions are such that nothing but the bytes of an
// exchange and a few bounds of time matter, and it ends with the last plain exchange before
// anything else: that one goes through the segmenter again, which knows by it how things stand.
#pragma once

#include <cstdint>
#include <span>
#include <utility>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/plain/blocks.h"
#include "capture/examine/plain/plain_talk.h"
#include "capture/examine/plain/runs.h"
#include "capture/examine/plain/sentences.h"
#include "capture/examine/plain/text_shapes.h"
#include "capture/examine/segmenter.h"

namespace witness {

class Shortcut {
 public:
  // Both must outlive it, and be as the segmenter has them.
  Shortcut(const Conventions& conventions, const SegmenterOptions& options);

  enum class Way : std::uint8_t { kNone, kText, kBlocks, kSentences };
  // In which way talk can be plain on this line.
  Way way() const { return way_; }

  enum class Look : std::uint8_t {
    kPlain,
    kNot,
    kMore,  // it takes more events to know
  };
  // What may stand in it all the same.
  struct Allowed {
    bool secrets = false;        // in sentences
    bool loose_returns = false;  // in blocks, see HasLooseReturn()
  };

  // Adds the exchanges that stand at `begin`, one behind the other, to a row that is not full, but
  // for their indices. Says what is behind them; kPlain: that was not looked at. `before`: when the
  // module spoke last before.
  Look ExchangesAt(std::span<const BriefEvent> events, std::size_t begin, Instant before,
                   const Allowed& allowed, PlainRow& row);

  // What the module said in one go: sentences, and all of them.
  struct Burst {
    std::size_t begin = 0, end = 0;  // events
    PlainSaid said;
    std::vector<PlainSentences::Sentence> sentences;
  };
  // What stands at `begin`.
  Look SentencesAt(std::span<const BriefEvent> events, std::size_t begin, Instant before,
                   const Allowed& allowed, Burst& burst);

 private:
  // Whether `command`, `answer`, where what follows begins with `next`, are an exchange, and which.
  template <bool kBlocks>
  inline bool IsExchange(const BriefEvent* command, const BriefEvent* answer,
                         const BriefEvent* next, Instant before, bool loose_returns,
                         PlainExchange& exchange);
  // Of the runs that were found. Gives how many of them were taken.
  template <bool kBlocks>
  std::size_t FillRow(Instant before, bool loose_returns, PlainRow& row);
  // How long the line was idle before the event; its stamp is later, and it is no longer than
  // kMostBytes. Times of events are not negative: no difference is beyond what a number holds.
  std::int64_t Idle(Instant before, const BriefEvent& event) const {
    return event.at.ns() - before.ns() - character_time_ * event.size;
  }

  std::int64_t silence_, character_time_;  // nanoseconds
  Way way_ = Way::kNone;
  Runs runs_;
  const char* bytes_from_ = nullptr;  // of all events that are looked at
  TextShapes texts_;
  PlainBlocks blocks_;
  SentenceShapes sentences_;
};

}  // namespace witness
