// Parts as text (textproto of proto/trial.proto's Part, for people) and on the wire (for
// processes).
#pragma once

#include <string>
#include <string_view>

#include "capture/base/result.h"
#include "replay/part/part.h"

namespace trial {

// Reads a part from textproto. Errors are kInvalidArgument and name line and column, counted from
// 1: "3:12: 'soon' is not a length of time like 250ms, 1.5s or 20us".
witness::Result<Part> ParsePart(std::string_view text);

// As a person would write it; ParsePart gives back an equal part.
std::string FormatPart(const Part& part);

// Files: errors name the path too. `path` "-" is not special here.
witness::Result<Part> LoadPart(const std::string& path);
// An existing file is replaced only if `replace`.
witness::Status SavePart(const Part& part, const std::string& path, bool replace);

// The schema's binary form.
Bytes SerializePart(const Part& part);
witness::Result<Part> DeserializePart(ByteView bytes);

// "35ms", "1.041667ms", "0s": exact to the nanosecond, read back by witness::ParseDuration.
std::string FormatExactDuration(Duration d);

}  // namespace trial
