// Printed output as lines that can be compared between trials.
#pragma once

#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "capture/base/result.h"
#include "replay/subject/observations.h"

namespace trial {

struct OutputLine {
  Instant at;  // when its first byte was read
  bool errors = false;
  Bytes text;
  // What differs from trial to trial without meaning anything is left out of this one.
  Bytes compared;
  // From which byte of `text` on it was read when, if not all at once: a line may be begun long
  // before what it tells is known.
  std::vector<std::pair<std::size_t, Instant>> later{};

  // When the first byte was read that `other` has otherwise, or not at all.
  Instant DiffersAt(const OutputLine& other) const;
};

// Patterns that may be searched for. Movable.
class Patterns {
 public:
  // kInvalidArgument names the first that is no RE2 regular expression.
  static witness::Result<Patterns> Compile(const std::vector<std::string>& patterns);
  Patterns();
  ~Patterns();
  Patterns(Patterns&&) noexcept;
  Patterns& operator=(Patterns&&) noexcept;

  std::size_t size() const;
  const std::string& text(std::size_t i) const;
  bool Found(std::size_t i, ByteView text) const;
  // All matches of all patterns taken out.
  Bytes Without(ByteView text) const;

 private:
  struct Compiled;
  std::vector<std::unique_ptr<Compiled>> all_;
};

// Lines end with CR, LF or CR LF; blank ones are left out. Standard output first, then standard
// error. The port's name is written {port}. In what is compared, figures of time are written # (how
// long something took, the time of day, seconds since 1970), and any number of spaces and tabs is
// one space, at the ends of a line none.
std::vector<OutputLine> OutputLines(const Observations& observations, const Patterns& ignore);

}  // namespace trial
