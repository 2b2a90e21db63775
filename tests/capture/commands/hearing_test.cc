// Captures that `listen` made, as commands see them that want one line at one rate.
#include "capture/commands/hearing.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>

#include "capture/store/capture_writer.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

Instant At(std::int64_t ms) { return Instant() + Duration::Milliseconds(ms); }

class HearingTest : public ::testing::Test {
 protected:
  void SetUp() override {
    CaptureInfo info;
    info.origin = Origin::kListen;
    Tap tap;
    tap.port = "/dev/ttyUSB0";
    tap.got.baud = tap.asked.baud = 300;  // the first that was tried
    info.taps = {tap};
    WriterOptions options;
    options.durability = Durability::kRelaxed;
    options.replace = true;
    auto writer = CaptureWriter::Create(path_, info, options);
    ASSERT_TRUE(writer.ok()) << writer.status().message();
    writer_ = std::move(*writer);
  }
  ~HearingTest() override { std::remove(path_.c_str()); }
  void Add(std::int64_t ms, EventKind kind, const std::string& text) {
    Event event;
    event.at = At(ms);
    event.kind = kind;
    event.bytes = text;
    ASSERT_TRUE(writer_->Append(event).ok());
  }
  void Sit(std::int64_t ms, const std::string& settings, const std::string& heard) {
    Add(ms, EventKind::kNote, kChangingTo + settings);
    Add(ms + 10, EventKind::kNote, kListeningAt + settings);
    Add(ms + 20, EventKind::kBytes, heard);
  }
  OneLine Of(const ReaderOptions& asked = {}, bool chosen = false, bool can_choose = true) {
    EXPECT_TRUE(writer_->Close(At(10'000)).ok());
    auto out = OneLineOf(path_, asked, chosen, can_choose);
    EXPECT_TRUE(out.ok()) << out.status().message();
    return out.ok() ? *out : OneLine();
  }

  std::string path_ = TemporaryPath("hearing.witness");
  std::unique_ptr<CaptureWriter> writer_;
};

TEST(Hearing, SettingsAsNotesHaveThem) {
  const auto plain = ParseSettings("115200 8N1");
  ASSERT_TRUE(plain);
  EXPECT_EQ(*plain, (LineSettings{.baud = 115200}));
  const auto odd = ParseSettings("31250 7E2");
  ASSERT_TRUE(odd);
  EXPECT_EQ(FormatLineSettings(*odd), "31250 7E2");
  for (const char* text : {"", "9600", "9600 ", " 8N1", "9600 9N1", "x 8N1", "99999999999 8N1",
                           "-1 8N1", "9600 8N1 more"})
    EXPECT_FALSE(ParseSettings(text)) << text;
}

TEST_F(HearingTest, LongestTimeAtTheBestSettingIsTheLine) {
  Sit(0, "300 8N1", "\xf0");
  Sit(1000, "19200 8N1", "OK\r\n");
  Sit(2000, "9600 8N1", "\x9c");
  Sit(3000, "19200 8N1", "OK\r\nOK\r\n");
  Add(6000, EventKind::kNote, std::string(kFitsBest) + "19200 8N1");
  const OneLine line = Of();
  EXPECT_EQ(line.reading.from, At(3010));
  EXPECT_EQ(line.reading.to, At(6000) + Duration::Nanoseconds(1));
  ASSERT_TRUE(line.reading.heard_at);
  EXPECT_EQ(FormatLineSettings(*line.reading.heard_at), "19200 8N1");
  EXPECT_EQ(line.title, "heard at 19200 8N1, the best of 3 settings");
  EXPECT_THAT(line.words, HasSubstr("was heard at 3 settings, one by one"));
  EXPECT_THAT(line.words, HasSubstr("at the best, 19200 8N1 (the others: 300 8N1, 9600 8N1; "
                                    "--from and --to choose"));
  auto reader = CaptureReader::Open(path_, line.reading);
  ASSERT_TRUE(reader.ok());
  EXPECT_EQ((*reader)->info().taps[0].got.baud, 19200u) << "not the first that was tried";
  Event event;
  Bytes said;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent)
    if (event.kind == EventKind::kBytes) said += event.bytes;
  EXPECT_EQ(said, "OK\r\nOK\r\n");
}

TEST_F(HearingTest, WithoutFromAndToNobodyIsSentToThem) {
  Sit(0, "300 8N1", "\xf0");
  Sit(1000, "19200 8N1", "OK\r\n");
  Add(6000, EventKind::kNote, std::string(kFitsBest) + "19200 8N1");
  EXPECT_THAT(Of({}, false, false).words, Not(HasSubstr("--from")));
}

TEST_F(HearingTest, WhereNothingFittedAllIsLeftAndNoRateIsClaimed) {
  Sit(0, "300 8N1", "\xf0");
  Sit(1000, "9600 8N1", "\x9c");
  const OneLine line = Of();
  EXPECT_EQ(line.reading.from, Instant());
  EXPECT_TRUE(line.reading.to.never());
  EXPECT_EQ(line.title, "heard at 2 settings, one by one, and none fitted");
  EXPECT_THAT(line.words, HasSubstr("(300 8N1, 9600 8N1): what follows is mostly rubbish"));
  auto reader = CaptureReader::Open(path_, line.reading);
  ASSERT_TRUE(reader.ok());
  EXPECT_EQ((*reader)->info().taps[0].got.baud, 0u);
}

TEST_F(HearingTest, PartThatAPersonChoseIsLeftAsItIs) {
  Sit(0, "300 8N1", "\xf0");
  Sit(1000, "9600 8N1", "OK");
  Add(2000, EventKind::kNote, std::string(kFitsBest) + "9600 8N1");
  ReaderOptions asked;
  asked.from = At(5);
  asked.to = At(1500);
  const OneLine line = Of(asked, true);
  EXPECT_EQ(line.reading.from, At(5));
  EXPECT_EQ(line.reading.to, At(1500));
  EXPECT_EQ(line.title, "heard at 2 settings, one by one");
}

TEST_F(HearingTest, OneSettingIsOneLine) {
  Sit(0, "9600 8N1", "OK");
  Sit(1000, "9600 8N1", "OK");
  Add(2000, EventKind::kNote, std::string(kFitsBest) + "9600 8N1");
  const OneLine line = Of();
  EXPECT_EQ(line.words, "");
  EXPECT_EQ(line.title, "");
  EXPECT_TRUE(line.reading.to.never());
  EXPECT_FALSE(line.reading.heard_at);
}

TEST_F(HearingTest, OtherCapturesAreReadAsAsked) {
  Add(0, EventKind::kBytes, "AT\r");
  Add(10, EventKind::kNote, std::string(kListeningAt) + "9600 8N1");
  Add(20, EventKind::kNote, std::string(kListeningAt) + "300 8N1");
  EXPECT_EQ(Of().words, "");
}

TEST_F(HearingTest, ManySettingsAreNotAllNamedAndNoneReachesATerminalAsItIs) {
  for (int i = 0; i < 11; ++i) Sit(i * 100, std::to_string(300 * (i + 1)) + " 8N1", "x");
  Sit(2000, "\x1b[31m", "x");
  const OneLine line = Of();
  EXPECT_THAT(line.words, HasSubstr("2400 8N1 and 4 more"));
  EXPECT_THAT(line.words, Not(HasSubstr("\x1b")));
  Hearing hostile;
  hostile.settings = {"\x1b[31m"};
  EXPECT_THAT(SettingsHeard(hostile), Not(HasSubstr("\x1b")));
}

}  // namespace
}  // namespace witness
