// Captures as other programs take them.
#pragma once

#include <functional>
#include <string_view>

#include "capture/base/result.h"
#include "capture/store/capture_reader.h"

namespace witness {

// Takes a piece of output; an error ends the export.
using TextSink = std::function<Status(std::string_view text)>;

// One JSON object a line and event, as ImportJsonLines reads: {"at_ns":N,"side":"module",
// "hex":"4f4b"}; other kinds carry "kind" and fields of their own.
Status ExportJsonLines(CaptureReader& reader, const TextSink& out);

// Comma-separated values with a line of names: at_ns,kind,side,hex,detail (RFC 4180; LF).
Status ExportCsv(CaptureReader& reader, const TextSink& out);

// The account, in text or with hexadecimal.
Status ExportAccount(CaptureReader& reader, bool hex, const TextSink& out);

// Value change dump (IEEE 1364-2005 clause 18): a byte wire for each side, with a bit that toggles
// at each byte, and the modem lines and pins that changed. Bytes of one read are put a character
// time apart, the last at the stamp.
Status ExportValueChanges(CaptureReader& reader, const TextSink& out);

}  // namespace witness
