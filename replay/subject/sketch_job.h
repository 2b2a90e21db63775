// What bytetrial and its worker for sketches send each other (proto/sketch.proto), in plain form.
#pragma once

#include <string>

#include "capture/base/result.h"
#include "replay/subject/observations.h"
#include "replay/subject/sketch_settings.h"
#include "replay/subject/subject.h"

namespace trial {

struct SketchJob {
  SketchSettings settings;
  Part part;
  RunLimits limits;
};

Bytes SerializeSketchJob(const SketchJob& job);
witness::Result<SketchJob> DeserializeSketchJob(ByteView bytes);

// Observations with their conversation, or why no trial took place.
Bytes SerializeSketchAnswer(const witness::Result<Observations>& answer);
witness::Result<Observations> DeserializeSketchAnswer(ByteView bytes);

// A message with its length in front.
Bytes Framed(ByteView message);
constexpr std::size_t kFrameHead = 4;
constexpr std::size_t kLargestFrame = 256 << 20;
// Of the first kFrameHead bytes of a frame.
std::size_t FrameLength(ByteView head);

}  // namespace trial
