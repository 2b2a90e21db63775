// ITU-T V.250 (07/2003): command lines, result codes, information text.
#pragma once

#include <optional>
#include <string>

#include "capture/base/bytes.h"

namespace witness::v250 {

// A result code that ends the answer to a command line (5.7.1, table 1; extended ones per 5.7.1
// with the forms of 3GPP TS 27.007 9.1, "+CME ERROR: n"). Verbose: `line` without its ending.
bool IsFinalResultCode(ByteView line);

// A numeric result code with its CR (5.7.1: "0<CR>"): its verbose name, or nullptr.
const char* NumericResultCode(ByteView bytes);

// "V.250 command line", "V.250 result code OK", "V.250 information text", ... of bytes that one
// side sent; empty if they are none of it.
std::string Describe(ByteView bytes, bool from_host);

// Whether Describe() of bytes of a host would find a command line.
bool IsCommandLine(ByteView bytes);

}  // namespace witness::v250
