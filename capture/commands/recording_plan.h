// What a person asked of `bytewitness record`, checked and read. Opens nothing.
#pragma once

#include <optional>

#include "capture/commands/recording.h"
#include "capture/record/capture_series.h"

namespace witness {

struct RecordingPlan {
  LineSettings asked;
  std::optional<Duration> length;
  std::optional<Duration> until_silent;
  SplitRule split;
  std::uint64_t keep_free = 0;  // bytes
  WriterOptions writer;
};

// kInvalidArgument, and which option, if one can't be read or two do not go together.
Result<RecordingPlan> PlanRecording(const RecordOptions& options);

}  // namespace witness
