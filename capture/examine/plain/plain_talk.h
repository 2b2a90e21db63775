// Talk that leaves no doubt, as it lies in the events: what Shortcut hands on in place of segments.
// All is valid during the call only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>

#include "capture/base/bytes.h"
#include "capture/examine/secret_kind.h"
#include "capture/examine/segment.h"
#include "capture/store/event_batch.h"

namespace witness {

// What one side said. One event or more, no two with the same stamp, none empty.
struct PlainSaid {
  const BriefEvent* first = nullptr;
  std::uint32_t count = 0;  // of events
  std::uint32_t size = 0;   // bytes of all of them

  std::span<const BriefEvent> events() const { return {first, count}; }
  ByteView bytes() const { return {first->data, size}; }
  Instant from() const { return first->at; }
  Instant to() const { return first[count - 1].at; }
};

// What is the same of all commands, answers or sentences of one shape. None holds a secret that
// would be remembered, none asks for one.
struct PlainContent {
  // How many different endings there are, counted as EndingTally does.
  static constexpr std::size_t kEndings = 5;

  LineEnding ending = LineEnding::kNone;
  bool all_text = false;
  // ValueSetBy(), if it is a command, and where it begins.
  std::uint32_t value_from = 0, value_size = 0;
  // Which of the kEndings: by value of LineEnding, the last of what is not text.
  std::uint8_t sort_of_ending = kEndings - 1;
  bool final_code = false;                              // see Content
  bool recognised = false;                              // IsRecognised()
  bool secret = false;                                  // SecretsIn() finds some
  std::array<std::uint8_t, kSecretKinds> secrets = {};  // how many

  // Makes it that of text.
  void IsText(LineEnding with) {
    ending = with;
    all_text = true;
    sort_of_ending = static_cast<std::uint8_t>(with);
  }
  // Whether such an answer tells something of its own: it may be rubbish, or has no ending.
  bool tells() const { return all_text ? ending == LineEnding::kNone : !recognised; }
};

// What is known of the answers to commands that are the same but for their digits.
struct PlainHistory {
  bool varies = false;  // they have digits
  // Only a shorter one may be half of an answer that came before.
  std::size_t half_below = std::numeric_limits<std::size_t>::max();
};

// A command and all of its answer, the events of which follow on those of the command.
struct PlainExchange {
  PlainSaid command, answer;
  // Of each how many bytes are text.
  std::uint32_t command_text = 0, answer_text = 0;
  const PlainContent* command_content = nullptr;
  const PlainContent* answer_content = nullptr;
  PlainHistory* history = nullptr;  // null: nothing is remembered of such a command
  std::uint64_t answer_index = 0;   // Segment::index
  // Whether nobody spoke then: a segment of its own.
  bool silent_before = false, silent_between = false;
};

// Exchanges that follow each other without anything in between: all events from the first one's to
// the last one's are theirs.
class PlainRow {
 public:
  static constexpr std::size_t kMost = 96;

  std::span<const PlainExchange> exchanges() const { return {exchanges_.data(), count_}; }
  std::size_t size() const { return count_; }
  bool full() const { return count_ == kMost; }
  PlainExchange& operator[](std::size_t i) { return exchanges_[i]; }
  // What is behind the last, while not full(); Add() makes it one of them.
  PlainExchange& next() { return exchanges_[count_]; }
  void Add() { ++count_; }
  void Clear() { count_ = 0; }
  // All but the last.
  void DropAllButLast() {
    exchanges_[0] = exchanges_[count_ - 1];
    count_ = 1;
  }

 private:
  std::array<PlainExchange, kMost> exchanges_;
  std::size_t count_ = 0;
};

// What the module said in one go, unasked and behind a silence: sentences, each a segment.
struct PlainSentences {
  struct Sentence {
    ByteView bytes;
    const PlainContent* content = nullptr;
  };
  PlainSaid said;
  std::uint64_t index = 0;  // Segment::index of the first sentence
  std::span<const Sentence> sentences;
};

}  // namespace witness
