// From a recorded conversation to the part that gives it again.
#pragma once

#include <string>
#include <vector>

#include "capture/base/result.h"
#include "capture/examine/conversation.h"
#include "capture/store/capture_info.h"
#include "replay/part/part.h"

namespace trial {

struct BuiltPart {
  Part part;
  std::vector<std::string> remarks;  // what a person should know, safe to print
};

// The module's side: one rule for each different command, its answers in the order recorded; how
// commands end, echo, what was said unasked. With `plays` host: the commands, each with the answer
// that is expected. kInvalidArgument if there is nothing to play.
witness::Result<BuiltPart> BuildPart(const witness::WholeConversation& conversation,
                                     const witness::CaptureInfo& info, witness::Side plays);

// Reads the capture at `path` and builds.
witness::Result<BuiltPart> BuildPartFromCapture(const std::string& path, witness::Side plays);

// A capture or a profile (by their first bytes), or a part as textproto.
witness::Result<BuiltPart> LoadPartOrCapture(const std::string& path, witness::Side plays);

}  // namespace trial
