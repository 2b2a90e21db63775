#include "replay/part/cue.h"

#include <re2/re2.h>

#include <algorithm>

#include "capture/base/text.h"

namespace trial {
namespace {

RE2::Options PatternOptions(bool ignore_case) {
  RE2::Options options;
  options.set_encoding(RE2::Options::EncodingLatin1);
  options.set_log_errors(false);
  options.set_dot_nl(true);
  options.set_case_sensitive(!ignore_case);
  options.set_max_mem(1 << 20);
  return options;
}

char Lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

bool Same(ByteView a, ByteView b, bool ignore_case) {
  if (a.size() != b.size()) return false;
  if (!ignore_case) return a == b;
  for (std::size_t i = 0; i < a.size(); ++i)
    if (Lower(a[i]) != Lower(b[i])) return false;
  return true;
}

}  // namespace

witness::Status CheckPattern(ByteView pattern) {
  const RE2 compiled(re2::StringPiece(pattern.data(), pattern.size()), PatternOptions(false));
  if (compiled.ok()) return witness::OkStatus();
  return {witness::Code::kInvalidArgument,
          "'" + witness::SafeText(pattern) + "' is not a regular expression: " + compiled.error()};
}

ByteView WithoutEnding(ByteView command) {
  while (!command.empty() && (command.back() == '\r' || command.back() == '\n'))
    command.remove_suffix(1);
  return command;
}

struct CompiledCue::Pattern {
  Pattern(ByteView text, bool ignore_case)
      : compiled(re2::StringPiece(text.data(), text.size()), PatternOptions(ignore_case)) {}
  RE2 compiled;
};

CompiledCue::CompiledCue(const Cue& cue) : cue_(cue) {
  if (cue.match == Match::kPattern)
    pattern_ = std::make_unique<Pattern>(cue_.text, cue_.ignore_case);
}
CompiledCue::~CompiledCue() = default;
CompiledCue::CompiledCue(CompiledCue&&) noexcept = default;
CompiledCue& CompiledCue::operator=(CompiledCue&&) noexcept = default;

bool CompiledCue::Matches(ByteView command) const {
  switch (cue_.match) {
    case Match::kExact:
      return Same(command, cue_.text, cue_.ignore_case);
    case Match::kIgnoringEnding:
      return Same(WithoutEnding(command), WithoutEnding(cue_.text), cue_.ignore_case);
    case Match::kPattern: {
      const ByteView text = WithoutEnding(command);
      return pattern_->compiled.ok() &&
             RE2::FullMatch(re2::StringPiece(text.data(), text.size()), pattern_->compiled);
    }
  }
  return false;
}

bool KnowsText(const Part& part, ByteView command) {
  return std::any_of(part.rules.begin(), part.rules.end(), [&](const Rule& rule) {
    Cue cue = rule.cue;
    if (cue.match == Match::kExact) cue.match = Match::kIgnoringEnding;
    return CompiledCue(cue).Matches(command);
  });
}

}  // namespace trial
