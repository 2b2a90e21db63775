// The parts of a page that stand still: what was recorded and how, findings, distributions, trials.
#pragma once

#include <string>

#include "capture/examine/compare.h"
#include "capture/examine/examination.h"
#include "capture/show/exhibit/exhibit.h"
#include "capture/store/capture_info.h"

namespace witness::page {

struct CaptureFacts {
  CaptureInfo info;
  CaptureEnding ending;
  Examination examination;
  std::string sha256;  // hexadecimal
  std::uint64_t file_bytes = 0;
};

// "2026-11-25 06:51:12 UTC"; empty if not known.
std::string WallClock(std::int64_t unix_ns);
std::string OriginWords(Origin origin);
// A link to a time in the record of capture `number` of the page.
std::string Moment(Instant at, std::size_t number);
// What may be said of the times: one sentence.
std::string ClockWords(const CaptureInfo& info);

// Who, where, how: a table. `number`: of the capture in the page, from 0. `level`: of its heading,
// 2 or 3.
std::string RecordedSection(const CaptureFacts& facts, const ExhibitCapture& capture,
                            std::size_t number, int level);
std::string FindingsSection(const CaptureFacts& facts, std::size_t number, int level);
std::string TimingSection(const CaptureFacts& facts, std::size_t number, int level);
// What two captures answer otherwise.
std::string ComparisonSection(const Comparison& comparison, const WholeConversation& first,
                              const WholeConversation& second);
std::string TrialSection(const TrialResult& trial);

}  // namespace witness::page
