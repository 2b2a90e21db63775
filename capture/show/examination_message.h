// Examinations as examination.proto's message in protobuf's JSON mapping, written as it is made: a
// capture of any size in bounded memory.
#pragma once

#include <string>

#include "capture/base/result.h"
#include "capture/examine/examination.h"
#include "capture/store/capture_info.h"

namespace witness {

// One JSON object each, on one line.
std::string SegmentJson(const Segment& segment);
std::string ExchangeJson(const Exchange& exchange);
// Everything but segments and exchanges, as the inside of a JSON object: no braces around it.
std::string SummaryJson(const Examination& examination, const CaptureInfo& info,
                        const std::string& capture);

}  // namespace witness
