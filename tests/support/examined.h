// A talk written down in a test, recorded and examined.
#pragma once

#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "capture/examine/examination.h"
#include "capture/store/capture_writer.h"

namespace witness::test {

inline Bytes CaptureOf(const std::vector<OwnedEvent>& events, const CaptureInfo& info) {
  Bytes out;
  auto writer = CaptureWriter::Create(OpenMemorySink(out), info);
  EXPECT_TRUE(writer.ok());
  Instant last;
  for (const OwnedEvent& e : events) {
    EXPECT_TRUE((*writer)->Append(e.View()).ok());
    last = e.event.at;
  }
  EXPECT_TRUE((*writer)->Close(last).ok());
  return out;
}

inline Bytes CaptureOf(const std::vector<OwnedEvent>& events, std::uint32_t baud = 9600) {
  CaptureInfo info;
  info.origin = Origin::kBetween;
  for (const Side side : {Side::kHost, Side::kModule}) {
    Tap tap;
    tap.hears = side;
    tap.got.baud = baud;
    info.taps.push_back(tap);
  }
  return CaptureOf(events, info);
}

inline Examination ExaminationOf(const std::vector<OwnedEvent>& events, std::uint32_t baud = 9600) {
  const Bytes file = CaptureOf(events, baud);
  auto reader = CaptureReader::OpenMemory(file);
  EXPECT_TRUE(reader.ok());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  auto examination = Examine(**reader, options);
  EXPECT_TRUE(examination.ok());
  return *std::move(examination);
}

// Of all findings; each must be complete.
inline std::vector<std::string> NamesOf(const Examination& e) {
  std::vector<std::string> out;
  for (const Finding& finding : e.findings) {
    out.push_back(finding.name);
    EXPECT_FALSE(finding.title.empty());
    EXPECT_FALSE(finding.consequence.empty());
    EXPECT_FALSE(finding.advice.empty());
    EXPECT_FALSE(finding.detail.empty());
  }
  return out;
}

}  // namespace witness::test
