// JSON lines in: one event a line, in time order.
//
//   {"at_ns": 1500000, "side": "module", "hex": "4f4b0d0a"}
//   {"at_ns": 1500000, "side": "module", "text": "OK\r\n"}
//
// "side" is "host", "module" or "unknown". Without "kind" a line is bytes; other kinds and their
// fields are those that the export writes (export/jsonl.h). Empty lines are passed over.
#pragma once

#include <functional>
#include <istream>
#include <string>

#include "capture/base/result.h"
#include "capture/store/event.h"

namespace witness {

// Calls `take` for each event (valid during the call); its error ends the import. Errors of the
// text name the line, from 1.
Status ImportJsonLines(std::istream& in, const std::function<Status(const Event&)>& take);

}  // namespace witness
