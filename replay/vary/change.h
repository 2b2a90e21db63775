// What the single variations are made of. Only for vary/.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "replay/vary/variation.h"

namespace trial {

// One factor at work on one part.
struct Change {
  const Variation& variation;
  const VariationContext& context;
  Varied& varied;

  // "LEVEL" or "LEVEL:VALUE" taken apart.
  std::string Word() const;
  std::string Value() const;

  // How long these bytes are on the way, where that takes time: a pause that is put behind them
  // begins when they are through.
  Duration Crossing(std::size_t bytes) const;

  void Note(const std::string& words);
  // So too, said once with all replies that it is true of: "WORDS: reply 1, reply 4".
  void NoteReply(const std::string& words, std::uint32_t number);
};

// Calls `call` for each answer that the variation is for: those of the rules, and, if it is not for
// one reply only, the one to unknown commands (number 0).
void ForEachAnswer(Change& change,
                   const std::function<void(Answer& answer, std::uint32_t number)>& call);

// So too, and behind them for what is said unasked (number kUnaskedOnly), if the variation is not
// for one reply only. A line of those that has become another is noted.
void ForEachSaid(Change& change,
                 const std::function<void(Answer& answer, std::uint32_t number)>& call);

// "reply 3", "the reply to unknown commands".
std::string ReplyName(std::uint32_t number);

// Printable ASCII, tab, CR, LF and well-formed UTF-8 only: line endings mean something in it.
bool IsText(ByteView bytes);

// Length of the line ending (CR LF, CR or LF) that begins at `at`; 0: none does.
std::size_t EndingAt(ByteView bytes, std::size_t at);

// Replaces byte ranges of an answer. A piece that becomes empty is dropped; its silence goes to the
// piece behind it, so that what is left keeps its time. Ranges: sorted, not overlapping.
struct Replacement {
  std::size_t from = 0;
  std::size_t size = 0;
  Bytes by;  // said with the piece that holds `from` (at the very end: the last piece)
};
void Replace(Answer& answer, const std::vector<Replacement>& replacements);

// Cuts the answer before each of `places` (offsets, ascending) and puts `pause` there. Cuts of the
// answer as it is stay, unless `joined`.
void Cut(const Change& change, Answer& answer, const std::vector<std::size_t>& places,
         Duration pause, bool joined);

// The factors. Each returns kInvalidArgument for a level it does not know.
witness::Status VaryEnding(Change& change);
witness::Status VarySplit(Change& change);
witness::Status VaryPace(Change& change);
witness::Status VaryTurnaround(Change& change);
witness::Status VaryEcho(Change& change);
witness::Status VaryCase(Change& change);
witness::Status VaryExtra(Change& change);
witness::Status VaryLoss(Change& change);
witness::Status VaryRubbish(Change& change);
witness::Status VaryLength(Change& change);
witness::Status VaryWith(Change& change);
witness::Status VaryRate(Change& change);
witness::Status VaryJitter(Change& change);
witness::Status VaryStop(Change& change);
witness::Status VaryGlitch(Change& change);
witness::Status VaryBreak(Change& change);

// A level that is not offered, in words.
witness::Status UnknownLevel(const Variation& variation);

// "35ms" of "3:35ms", or `otherwise` if there is none.
witness::Result<Duration> PauseOf(const Change& change, Duration otherwise);

}  // namespace trial
