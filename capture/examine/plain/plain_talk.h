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
  std::uint64_t index = 0;  // Segment::index
  ByteView bytes;
  std::span<const BriefEvent> events;

  Instant from() const { return events.front().at; }
  Instant to() const { return events.back().at; }
};

// What is the same of all commands, answers or sentences of one shape. None holds a secret that
// would be remembered, none asks for one.
struct PlainContent {
  // How many different endings there are, counted as EndingTally does.
  static constexpr std::size_t kEndings = 5;

  LineEnding ending = LineEnding::kNone;
  bool all_text = false;
  bool final_code = false;                              // see Content
  bool names_value = false;                             // the same
  bool recognised = false;                              // IsRecognised()
  bool secret = false;                                  // SecretsIn() finds some
  std::array<std::uint8_t, kSecretKinds> secrets = {};  // how many

  // Which of the kEndings: by value of LineEnding, the last of what is not text.
  std::size_t sort_of_ending() const {
    return all_text ? static_cast<std::size_t>(ending) : kEndings - 1;
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

// A command and all of its answer.
struct PlainExchange {
  PlainSaid command, answer;
  // Of each how many bytes are text.
  std::size_t command_text = 0, answer_text = 0;
  const PlainContent* command_content = nullptr;
  const PlainContent* answer_content = nullptr;
  PlainHistory* history = nullptr;  // null: nothing is remembered of such a command
  // Whether nobody spoke then: a segment of its own.
  bool silent_before = false, silent_between = false;
};

// What the module said in one go, unasked and behind a silence: sentences, each a segment.
struct PlainSentences {
  struct Sentence {
    ByteView bytes;
    const PlainContent* content = nullptr;
  };
  PlainSaid said;  // `index` of the first sentence
  std::span<const Sentence> sentences;
};

}  // namespace witness
