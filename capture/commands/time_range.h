// --from and --to: the part of a capture that is wanted. Readers jump there.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

#include "capture/base/result.h"
#include "capture/store/capture_reader.h"

namespace witness {

class TimeRange {
 public:
  // This object must outlive the parsing.
  void AddTo(CLI::App& command);
  // kInvalidArgument: no time, or an empty range.
  Status Apply(ReaderOptions& options) const;
  // Whether a part is wanted and not all.
  bool given() const { return !from_.empty() || !to_.empty(); }

 private:
  std::string from_;
  std::string to_;
};

// A time since the capture's start: a length with units ("1h2m3s"), or as accounts print it
// ("1:02:03.5", "12.345678"), exact to the nanosecond.
Result<Instant> ParseTimeInCapture(std::string_view text);

}  // namespace witness
