// Bytes as they crossed a line: an owned run, a view of one, and the ways to write them down.
#pragma once

#include <string>
#include <string_view>

#include "capture/base/result.h"

namespace witness {

using Bytes = std::string;          // any values, NUL included
using ByteView = std::string_view;  // not owned

// Lower-case hexadecimal, two digits a byte, nothing between: "4f4b0d0a".
std::string ToHex(ByteView bytes);

// Reads what ToHex writes; upper case and single spaces between bytes are allowed.
Result<Bytes> FromHex(std::string_view text);

// Reads C-style escapes: \r \n \t \a \b \f \v \0 \\ \" \' \e (escape, 1B) \xNN and octal \NNN.
// \x takes exactly two digits. Anything else after a backslash is an error that names its place.
Result<Bytes> ParseEscapes(std::string_view text);

// The inverse: printable ASCII as it is, all else as an escape that ParseEscapes reads back.
std::string ToEscapes(ByteView bytes);

}  // namespace witness
