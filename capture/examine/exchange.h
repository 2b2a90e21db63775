// A command and all that answered it.
#pragma once

#include <optional>

#include "capture/base/instant.h"
#include "capture/examine/segment.h"
#include "capture/examine/segment_list.h"

namespace witness {

struct Exchange {
  Segment command;
  std::optional<Segment> echo;
  SegmentList replies;      // usually one; more where a silence lay between
  SegmentList unsolicited;  // came in the middle
  // End of the command's last event to the first reply byte that is no echo. Not there: no reply.
  std::optional<Duration> turnaround;
  Duration longest_pause;  // between pieces inside a reply
};

}  // namespace witness
