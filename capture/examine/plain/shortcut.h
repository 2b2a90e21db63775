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

  // When who spoke last before what is looked at.
  struct Before {
    Instant host, module;
  };
  // Something plain within `events`: [begin, end). For an exchange, from `middle` on the module
  // speaks.
  struct Found {
    std::size_t begin = 0, middle = 0, end = 0;
    PlainExchange exchange;  // but for indices
    PlainSaid said;          // sentences, and all of them
    std::vector<PlainSentences::Sentence> sentences;
  };
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
  // What stands at `begin`.
  Look At(std::span<const BriefEvent> events, std::size_t begin, const Before& before,
          const Allowed& allowed, Found& found);

 private:
  // Where the run of events ends that one side says without a pause to speak of; 0: nothing plain.
  inline std::size_t EndOfRun(std::span<const BriefEvent> events, std::size_t at) const;
  Look ExchangeAt(std::span<const BriefEvent> events, const Before& before, const Allowed& allowed,
                  Found& found);
  Look SentencesAt(std::span<const BriefEvent> events, const Before& before, const Allowed& allowed,
                   Found& found);
  // How long the line was idle before the event; its stamp is later, and it is no longer than
  // kMostBytes. Times of events are not negative: no difference is beyond what a number holds.
  std::int64_t Idle(Instant before, const BriefEvent& event) const {
    return event.at.ns() - before.ns() - character_time_ * event.size;
  }

  std::int64_t silence_, character_time_;  // nanoseconds
  Way way_ = Way::kNone;
  TextShapes texts_;
  PlainBlocks blocks_;
  SentenceShapes sentences_;
};

}  // namespace witness
