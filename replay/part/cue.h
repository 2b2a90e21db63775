// Whether a command is the one that a rule waits for.
#pragma once

#include <memory>

#include "capture/base/result.h"
#include "replay/part/part.h"

namespace trial {

// RE2 syntax, bytes not UTF-8. kInvalidArgument if it is no regular expression.
witness::Status CheckPattern(ByteView pattern);

// The command without CR and LF at its end.
ByteView WithoutEnding(ByteView command);

// A cue made ready for comparing. A pattern that CheckPattern refuses matches nothing. Movable; may
// be used by one thread at a time.
class CompiledCue {
 public:
  explicit CompiledCue(const Cue& cue);
  ~CompiledCue();
  CompiledCue(CompiledCue&&) noexcept;
  CompiledCue& operator=(CompiledCue&&) noexcept;

  bool Matches(ByteView command) const;

 private:
  struct Pattern;
  Cue cue_;
  std::unique_ptr<Pattern> pattern_;
};

// Whether a rule knows the command, its line ending left out.
bool KnowsText(const Part& part, ByteView command);

}  // namespace trial
