// Making device bytes, times and sizes readable and safe for a terminal.
//
// SafeText is the one function through which bytes that came from a line, a file or a name
// reach a terminal (pages have their own, in show/).
#pragma once

#include <string>
#include <string_view>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace witness {

// Printable ASCII as it is; CR as U+240D, LF as U+240A; every other byte as \xNN (a backslash as
// \\, so that what is shown can be told apart). The result holds no control character.
std::string SafeText(ByteView bytes);

// SafeText with U+2205 (empty set) behind bytes that end with neither CR nor LF, and for no bytes.
std::string SafeTextWithEnding(ByteView bytes);

// For names (paths, ports, notes) in our own messages: as SafeText, but valid UTF-8 letters stay;
// control characters, bidirectional overrides and invalid UTF-8 become \xNN.
std::string SafeName(std::string_view name);

// "0 s", "1.5 ms", "35 ms", "1.00 s", "2 min 5 s": three significant digits, for reading.
std::string FormatDuration(Duration d);

// "12.345678" seconds since the start, six decimals; from one minute on "1:02.345678",
// from one hour on "1:00:02.345678".
std::string FormatInstant(Instant t);

// "950 B", "1.2 kB", "64 MB": powers of 1000.
std::string FormatSize(std::uint64_t bytes);

// Reads "250ms", "1.5s", "1h2m3s", "20us", "7ns", "2d". A bare number is an error: name the unit.
// Negative lengths are an error.
Result<Duration> ParseDuration(std::string_view text);

// Reads "100MB", "64kB", "512B", "2GB" (powers of 1000).
Result<std::uint64_t> ParseSize(std::string_view text);

}  // namespace witness
