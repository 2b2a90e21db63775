// --from and --to: every way to write a time, and the ways that are refused.
#include "capture/commands/time_range.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

namespace witness {
namespace {

using ::testing::HasSubstr;

constexpr std::int64_t kSecond = 1'000'000'000;

std::int64_t Ns(const char* text) {
  const auto time = ParseTimeInCapture(text);
  EXPECT_TRUE(time.ok()) << text << ": " << time.status().message();
  return time.ok() ? time->ns() : -1;
}

TEST(TimeRange, LengthsWithUnits) {
  EXPECT_EQ(Ns("1h2m3s"), 3723 * kSecond);
  EXPECT_EQ(Ns("250ms"), kSecond / 4);
  EXPECT_EQ(Ns("0s"), 0);
  EXPECT_EQ(Ns("1.5s"), kSecond * 3 / 2);
  EXPECT_EQ(Ns("7ns"), 7);
}

TEST(TimeRange, TimesAsAccountsPrintThem) {
  EXPECT_EQ(Ns("1:02:03"), 3723 * kSecond);
  EXPECT_EQ(Ns("2:03.5"), 123 * kSecond + kSecond / 2);
  EXPECT_EQ(Ns("12.345678901"), 12'345'678'901);
  EXPECT_EQ(Ns("0.000000001"), 1);
  EXPECT_EQ(Ns("100:00:00"), 360'000 * kSecond);
}

TEST(TimeRange, WhatIsNoTimeIsRefusedInWords) {
  for (const char* text : {"",
                           "12",
                           "x",
                           "-1s",
                           "-0:01",
                           "1:60",
                           "1:02:60",
                           "1:2:3:4",
                           ":",
                           "1:",
                           ":1",
                           ".",
                           "1.",
                           "1.0000000001",
                           "1:-2",
                           "1: 2",
                           " 1s",
                           "1s ",
                           "1h2",
                           "+1:00",
                           "1e3s",
                           "inf",
                           "nans",
                           "99999999999999999999:00",
                           "9000000000s9000000000s",
                           "300000000:00:00",
                           "1s1"}) {
    const auto time = ParseTimeInCapture(text);
    EXPECT_FALSE(time.ok()) << "'" << text << "' was taken for " << time->ns();
    if (!time.ok()) {
      EXPECT_EQ(time.status().code(), Code::kInvalidArgument) << text;
      EXPECT_THAT(time.status().message(), HasSubstr("is not a time in a capture")) << text;
    }
  }
}

Status Applied(std::vector<std::string> arguments, ReaderOptions& options) {
  CLI::App app;
  TimeRange range;
  range.AddTo(app);
  const bool some = !arguments.empty();
  std::reverse(arguments.begin(), arguments.end());  // as CLI11 wants them
  app.parse(arguments);
  EXPECT_EQ(range.given(), some);
  return range.Apply(options);
}

TEST(TimeRange, BothEndsAreOptional) {
  ReaderOptions options;
  ASSERT_TRUE(Applied({}, options).ok());
  EXPECT_EQ(options.from, Instant());
  EXPECT_TRUE(options.to.never());
  ASSERT_TRUE(Applied({"--to", "2m"}, options).ok());
  EXPECT_EQ(options.from, Instant());
  EXPECT_EQ(options.to.ns(), 120 * kSecond);
  ReaderOptions later;
  ASSERT_TRUE(Applied({"--from", "1:00"}, later).ok());
  EXPECT_EQ(later.from.ns(), 60 * kSecond);
  EXPECT_TRUE(later.to.never());
}

TEST(TimeRange, AnEmptyRangeAndABadEndSayWhichOption) {
  ReaderOptions options;
  EXPECT_THAT(Applied({"--from", "2s", "--to", "2s"}, options).message(), HasSubstr("--to: "));
  EXPECT_THAT(Applied({"--from", "2s", "--to", "1s"}, options).message(), HasSubstr("--to: "));
  EXPECT_THAT(Applied({"--from", "soon"}, options).message(), HasSubstr("--from: 'soon'"));
  EXPECT_THAT(Applied({"--to", "later"}, options).message(), HasSubstr("--to: 'later'"));
}

}  // namespace
}  // namespace witness
