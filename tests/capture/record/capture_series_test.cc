#include "capture/record/capture_series.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>

#include "capture/store/capture_reader.h"

namespace witness {
namespace {

namespace fs = std::filesystem;

class CaptureSeriesTest : public ::testing::Test {
 protected:
  CaptureSeriesTest()
      : folder_(fs::temp_directory_path() / ("series-" + std::to_string(getpid()))) {
    fs::create_directories(folder_);
  }
  ~CaptureSeriesTest() override { fs::remove_all(folder_); }
  static Event Said(Instant at, ByteView bytes) {
    Event out;
    out.at = at;
    out.side = Side::kModule;
    out.bytes = bytes;
    return out;
  }
  fs::path folder_;
};

Instant At(std::int64_t ms) { return Instant() + Duration::Milliseconds(ms); }

TEST(SplitRule, IsATimeOrASize) {
  EXPECT_EQ(ParseSplitRule("1h").value().every, Duration::Seconds(3600));
  EXPECT_EQ(ParseSplitRule("100MB").value().bytes, 100'000'000u);
  for (const char* wrong : {"", "soon", "5", "10ms", "1kB"})
    EXPECT_EQ(ParseSplitRule(wrong).status().code(), Code::kInvalidArgument) << wrong;
}

TEST_F(CaptureSeriesTest, OneFileKeepsItsName) {
  auto series =
      CaptureSeries::Create(folder_ / "talk.witness", {}, {}, [] { return CaptureInfo(); });
  ASSERT_TRUE(series.ok());
  EXPECT_EQ((*series)->path(), folder_ / "talk.witness");
  EXPECT_FALSE((*series)->Due(At(1'000'000'000), At(0), At(0)));
  EXPECT_TRUE((*series)->writer().Close(At(1)).ok());
}

TEST_F(CaptureSeriesTest, CutsInASilenceOrWhenPatienceEnds) {
  SplitRule rule;
  rule.every = Duration::Seconds(10);
  auto series =
      CaptureSeries::Create(folder_ / "talk.witness", rule, {}, [] { return CaptureInfo(); });
  ASSERT_TRUE(series.ok());
  EXPECT_FALSE((*series)->Due(At(9'999), At(0), At(0)));
  EXPECT_FALSE((*series)->Due(At(10'000), At(0), At(9'990))) << "somebody is speaking";
  EXPECT_TRUE((*series)->Due(At(10'060), At(0), At(9'990)));
  EXPECT_FALSE((*series)->Due(At(11'990), At(0), At(11'980)));
  EXPECT_TRUE((*series)->Due(At(12'000), At(0), At(11'990)));
  EXPECT_TRUE((*series)->writer().Close(At(1)).ok());
}

TEST_F(CaptureSeriesTest, EveryFileIsACaptureOfItsOwnAndWhole) {
  SplitRule rule;
  rule.every = Duration::Seconds(1);
  int described = 0;
  auto series = CaptureSeries::Create(folder_ / "talk.witness", rule, {}, [&] {
    CaptureInfo info;
    info.title = "file " + std::to_string(++described);
    return info;
  });
  ASSERT_TRUE(series.ok());
  for (int i = 1; i <= 3; ++i) {
    const std::string text = "said in " + std::to_string(i);
    ASSERT_TRUE((*series)->writer().Append(Said(At(i), text)).ok());
    if (i < 3) {
      ASSERT_TRUE((*series)->Next(At(900 + i)).ok());
    }
  }
  ASSERT_TRUE((*series)->writer().Close(At(500)).ok());
  ASSERT_TRUE((*series)->Finish().ok());
  EXPECT_EQ((*series)->files(), 3);
  for (int i = 1; i <= 3; ++i) {
    const std::string path = folder_ / ("talk-000" + std::to_string(i) + ".witness");
    auto reader = CaptureReader::Open(path);
    ASSERT_TRUE(reader.ok()) << path;
    EXPECT_EQ((*reader)->info().title, "file " + std::to_string(i));
    Event event;
    ASSERT_EQ((*reader)->Next(event), CaptureReader::Outcome::kEvent);
    EXPECT_EQ(event.bytes, "said in " + std::to_string(i));
    ASSERT_EQ((*reader)->Next(event), CaptureReader::Outcome::kEnd);
    EXPECT_TRUE((*reader)->ending().closed_cleanly);
    EXPECT_EQ((*reader)->ending().end, i < 3 ? At(900 + i) : At(500));
  }
}

TEST_F(CaptureSeriesTest, TooLargeAFileIsDue) {
  SplitRule rule;
  rule.bytes = 10'000;
  WriterOptions options;
  options.flush_every = Duration::Milliseconds(1);
  auto series =
      CaptureSeries::Create(folder_ / "talk.witness", rule, options, [] { return CaptureInfo(); });
  ASSERT_TRUE(series.ok());
  EXPECT_FALSE((*series)->Due(At(1000), At(0), At(0)));
  Bytes noise;
  std::uint32_t state = 1;
  for (int i = 0; i < 60'000; ++i)
    noise += static_cast<char>((state = state * 1664525 + 1013904223) >> 24);
  ASSERT_TRUE((*series)->writer().Append(Said(At(1), noise)).ok());
  ASSERT_TRUE((*series)->writer().Tick(At(100)).ok());
  EXPECT_TRUE((*series)->Due(At(1000), At(0), At(0)));
  EXPECT_TRUE((*series)->writer().Close(At(1001)).ok());
}

}  // namespace
}  // namespace witness
