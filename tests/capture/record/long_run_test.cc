// Recordings of days, in virtual time: what is recorded stays whole over many files, and nothing
// grows with the time that passes.
#include <gtest/gtest.h>
#include <malloc.h>
#include <unistd.h>

#include <filesystem>
#include <string>

#include "capture/record/capture_series.h"
#include "capture/record/recorder.h"
#include "capture/store/capture_reader.h"
#include "tests/support/scripted_port.h"

namespace witness {
namespace {

namespace fs = std::filesystem;

constexpr Duration kHour = Duration::Seconds(3600);
constexpr Duration kDay = kHour * 24;
constexpr std::int64_t kBeganUnix = 1'792'800'000'000'000'000;  // some day in October

// A port that says a sentence every so often, recorded into a series of files as `record` does it.
class LongRunTest : public ::testing::Test {
 protected:
  LongRunTest()
      : driver_(clock_),
        port_(clock_),
        folder_(fs::temp_directory_path() / ("long-run-" + std::to_string(getpid()))) {
    clock_.Advance(kDay * 40);  // the machine has been up for a while
    fs::create_directories(folder_);
  }
  ~LongRunTest() override { fs::remove_all(folder_); }

  void Begin(SplitRule rule) {
    WriterOptions options;
    options.durability = Durability::kRelaxed;
    began_ = file_began_ = clock_.Now();
    auto series = CaptureSeries::Create(folder_ / "talk.witness", rule, options, [this] {
      CaptureInfo info;
      info.began_unix_ns = kBeganUnix + (clock_.Now() - began_).ns() + wall_step_.ns();
      return info;
    });
    ASSERT_TRUE(series.ok()) << series.status().message();
    series_ = std::move(*series);
    recorder_ = std::make_unique<Recorder>(driver_, series_->writer(), began_);
    driver_.AddPort(port_, recorder_->Handlers(Side::kModule));
  }

  void SayEvery(Duration pause, std::size_t noise = 0) {
    driver_.SetTimer(clock_.Now() + pause, [this, pause, noise](Instant now) {
      Bytes text = "reading " + std::to_string(++said_) + "\r\n";
      for (std::size_t i = 0; i < noise; ++i)
        text += static_cast<char>((random_ = random_ * 1664525 + 1013904223) >> 24);
      if (keep_) all_ += text;
      port_.Say(now, text);
      SayEvery(pause, noise);
    });
  }

  void LookEvery(Duration pause) {
    driver_.SetTimer(clock_.Now() + pause, [this, pause](Instant now) {
      if (series_->Due(now, file_began_, recorder_->last_byte())) {
        largest_ = std::max(largest_, fs::file_size(series_->path()));
        ASSERT_TRUE(series_->Next(Instant() + (now - file_began_)).ok());
        file_began_ = now;
        recorder_->ContinueIn(series_->writer(), now);
      }
      LookEvery(pause);
    });
  }

  void RunFor(Duration length) {
    driver_.SetTimer(clock_.Now() + length, [this](Instant) { driver_.Stop(); });
    ASSERT_TRUE(driver_.Run().ok());
  }

  void End() {
    ASSERT_TRUE(recorder_->Close().ok());
    ASSERT_TRUE(series_->Finish().ok());
  }

  struct File {
    std::int64_t began_unix_ns = 0;
    Instant first, last, end;
    Bytes bytes;
  };
  // What the files hold, one after the other; each must be closed and in order.
  std::vector<File> Files() {
    std::vector<File> out;
    for (int i = 1; i <= series_->files(); ++i) {
      char name[32];
      std::snprintf(name, sizeof name, "talk-%04d.witness", i);
      auto reader = CaptureReader::Open(folder_ / name);
      EXPECT_TRUE(reader.ok()) << name;
      if (!reader.ok()) break;
      File& file = out.emplace_back();
      file.began_unix_ns = (*reader)->info().began_unix_ns;
      Event event;
      for (bool first = true; (*reader)->Next(event) == CaptureReader::Outcome::kEvent;
           first = false) {
        if (first) file.first = event.at;
        EXPECT_GE(event.at, file.last) << name;
        file.last = event.at;
        file.bytes += event.bytes;
      }
      EXPECT_TRUE((*reader)->ending().closed_cleanly) << name << (*reader)->ending().what;
      file.end = (*reader)->ending().end;
    }
    return out;
  }

  FakeClock clock_;
  VirtualDriver driver_;
  ScriptedPort port_;
  fs::path folder_;
  std::unique_ptr<CaptureSeries> series_;
  std::unique_ptr<Recorder> recorder_;
  Instant began_, file_began_;
  Duration wall_step_;
  Bytes all_;
  bool keep_ = true;
  int said_ = 0;
  std::uint32_t random_ = 1;
  std::uintmax_t largest_ = 0;
};

TEST_F(LongRunTest, TwelveDaysInFilesOfSixHoursLoseNothing) {
  SplitRule rule;
  rule.every = kHour * 6;
  Begin(rule);
  SayEvery(Duration::Seconds(61));
  LookEvery(Duration::Milliseconds(2'500));
  RunFor(kDay * 12);
  End();
  EXPECT_EQ(series_->files(), 48);
  Bytes bytes;
  Duration recorded;
  for (const File& file : Files()) {
    EXPECT_LT(file.first, Instant() + Duration::Seconds(62)) << "each file's times begin anew";
    EXPECT_GE(file.end, file.last);
    EXPECT_NEAR((file.end - Instant()).seconds(), 6 * 3600.0, 60.0);
    recorded = recorded + (file.end - Instant());
    bytes += file.bytes;
  }
  EXPECT_EQ(recorded, kDay * 12) << "the files follow one another without a hole";
  EXPECT_EQ(bytes, all_);
}

TEST_F(LongRunTest, WallClockThatIsSetMovesHeadersAndNoEvent) {
  SplitRule rule;
  rule.every = kDay;
  Begin(rule);
  SayEvery(Duration::Seconds(600));
  LookEvery(Duration::Seconds(1));
  RunFor(kDay * 3 + kHour);
  wall_step_ = kHour * -26;  // set right at last: more than a file's length back
  RunFor(kDay * 3);
  wall_step_ = kHour * 1000;
  RunFor(kDay * 5);
  End();
  const std::vector<File> files = Files();
  ASSERT_EQ(files.size(), 12u);
  EXPECT_LT(files[4].began_unix_ns, files[3].began_unix_ns)
      << "the header says what the clock said";
  EXPECT_GT(files[7].began_unix_ns - files[6].began_unix_ns, (kHour * 1000).ns());
  Bytes bytes;
  for (std::size_t i = 0; i < files.size(); ++i) {
    bytes += files[i].bytes;
    if (i + 1 < files.size()) {
      EXPECT_NEAR((files[i].end - Instant()).seconds(), 86'400.0, 3.0) << i;
    }
  }
  EXPECT_EQ(bytes, all_);
}

TEST_F(LongRunTest, FilesOfOneSizeWhateverTheTime) {
  SplitRule rule;
  rule.bytes = 20'000;
  Begin(rule);
  SayEvery(kHour, 2'000);  // of noise: it does not shrink
  LookEvery(Duration::Seconds(60));
  RunFor(kDay * 11);
  End();
  // 264 readings of a little over 2000 bytes.
  EXPECT_GE(series_->files(), 20);
  EXPECT_LE(series_->files(), 27);
  EXPECT_GE(largest_, 20'000u);
  EXPECT_LT(largest_, 24'500u) << "a file ends with the reading that filled it";
  Bytes bytes;
  for (const File& file : Files()) bytes += file.bytes;
  EXPECT_EQ(bytes, all_);
}

// Of the whole program, by the C library; a sanitizer has an allocator of its own, which this does
// not see: there these two tests prove nothing.
std::size_t InUse() {
  const struct mallinfo2 all = mallinfo2();
  return all.uordblks + all.hblkhd;
}

TEST_F(LongRunTest, MemoryDoesNotGrowWithTime) {
  keep_ = false;
  Begin({});  // one file
  SayEvery(Duration::Seconds(10));
  RunFor(kDay);
  const std::size_t after_one = InUse();
  RunFor(kDay * 11);
  const std::size_t after_twelve = InUse();
  EXPECT_GE(said_, 12 * 8640 - 1);
  // 95 040 readings more: with 4 bytes kept of each it would be over.
  EXPECT_LT(after_twelve, after_one + 380'000);
  End();
}

TEST_F(LongRunTest, MemoryDoesNotGrowWithFiles) {
  keep_ = false;
  SplitRule rule;
  rule.every = kHour;
  Begin(rule);
  SayEvery(Duration::Seconds(601));
  LookEvery(Duration::Seconds(5));
  const auto in_use_when_all_are_closed = [this] {
    EXPECT_TRUE(series_->Finish().ok());
    return InUse();
  };
  RunFor(kDay);
  const std::size_t after_one = in_use_when_all_are_closed();
  RunFor(kDay * 6);
  const std::size_t after_seven = in_use_when_all_are_closed();
  EXPECT_GE(series_->files(), 7 * 24);
  // A writer that was kept would be some megabytes (its compressor).
  EXPECT_LT(after_seven, after_one + 400'000);
  End();
}

}  // namespace
}  // namespace witness
