// Framings as textproto (examination.proto, FrameRule).
#pragma once

#include <string>

#include "capture/base/result.h"
#include "capture/examine/protocols/frame_rule.h"

namespace witness {

// Errors name line and column.
Result<FrameRule> ParseFrameRule(const std::string& text);
Result<FrameRule> LoadFrameRule(const std::string& path);

}  // namespace witness
