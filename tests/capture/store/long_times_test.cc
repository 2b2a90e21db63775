// Captures of days and months: times of more than ten days, with silences of days in between.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdint>

#include "capture/store/limits.h"
#include "tests/support/capture_samples.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

constexpr std::int64_t kDay = std::int64_t{86'400} * 1'000'000'000;

struct Spoken {
  std::int64_t at_ns;
  std::string text;
};

// 400 days: a burst a day with nanoseconds between its words, and nothing from day 30 to day 60.
std::vector<Spoken> Talk() {
  std::vector<Spoken> out;
  for (std::int64_t day = 0; day < 400; ++day) {
    if (day >= 30 && day < 60) continue;
    for (std::int64_t word = 0; word < 5; ++word)
      out.push_back({day * kDay + day * 1'000'003 + word * word, "day " + std::to_string(day)});
  }
  return out;
}

void ExpectSame(const std::vector<OwnedEvent>& got, const std::vector<Spoken>& want,
                std::size_t first) {
  ASSERT_EQ(got.size(), want.size() - first);
  for (std::size_t i = 0; i < got.size(); ++i) {
    EXPECT_EQ(got[i].event.at.ns(), want[first + i].at_ns) << "event " << first + i;
    EXPECT_EQ(got[i].bytes, want[first + i].text) << "event " << first + i;
  }
}

// As the file is while it is being recorded, and as its close leaves it.
class LongTimesTest : public ::testing::TestWithParam<bool> {
 protected:
  ~LongTimesTest() override { unlink(path_.c_str()); }
  std::string path_ = TemporaryPath("long.witness");
};

TEST_P(LongTimesTest, EveryTimeComesBackToTheNanosecond) {
  const std::vector<Spoken> talk = Talk();
  WriterOptions options;
  options.durability = Durability::kRelaxed;
  options.compact_on_close = GetParam();
  options.replace = true;
  auto writer = CaptureWriter::Create(path_, FullInfo(), options);
  ASSERT_TRUE(writer.ok()) << writer.status().message();
  for (const Spoken& one : talk) {
    const Instant at = Instant::FromNanoseconds(one.at_ns);
    if ((*writer)->NextTick() <= at) {
      ASSERT_TRUE((*writer)->Tick(at).ok());
    }
    ASSERT_TRUE((*writer)->Append(BytesEvent(one.at_ns, Side::kModule, one.text)).ok());
  }
  const Instant end = Instant::FromNanoseconds(401 * kDay);
  ASSERT_TRUE((*writer)->Close(end).ok());

  auto whole = CaptureReader::Open(path_);
  ASSERT_TRUE(whole.ok()) << whole.status().message();
  const ReadBack all = ReadAll(**whole);
  ExpectSame(all.events, talk, 0);
  EXPECT_TRUE(all.ending.closed_cleanly) << all.ending.what;
  EXPECT_EQ(all.ending.end, end);

  // From the middle of the long silence on: day 60 is next.
  ReaderOptions from;
  from.from = Instant::FromNanoseconds(45 * kDay);
  auto part = CaptureReader::Open(path_, from);
  ASSERT_TRUE(part.ok()) << part.status().message();
  const ReadBack rest = ReadAll(**part);
  ExpectSame(rest.events, talk, std::size_t{30 * 5});
  ASSERT_FALSE(rest.indices.empty());
  EXPECT_EQ(rest.indices.front(), 30u * 5);
}

INSTANTIATE_TEST_SUITE_P(LiveAndClosed, LongTimesTest, ::testing::Bool());

// A clock that is set back while a capture runs must not turn its order around (capture_writer.h).
TEST(LongTimes, AnEarlierTimeCountsAsTheOneBefore) {
  const std::vector<Event> said = {BytesEvent(11 * kDay, Side::kModule, "a"),
                                   BytesEvent(11 * kDay - 3'600'000'000'000, Side::kModule, "b"),
                                   BytesEvent(11 * kDay + 1, Side::kModule, "c"),
                                   BytesEvent(0, Side::kModule, "d")};
  const ReadBack back = ReadAllOf(WriteCapture(said));
  ASSERT_EQ(back.events.size(), 4u);
  const std::int64_t want[] = {11 * kDay, 11 * kDay, 11 * kDay + 1, 11 * kDay + 1};
  for (std::size_t i = 0; i < 4; ++i) EXPECT_EQ(back.events[i].event.at.ns(), want[i]) << i;
}

// The step from 0 to the last time there is, is the largest there is; a later one is refused.
TEST(LongTimes, TheLargestStepThereIsComesBack) {
  const ReadBack back = ReadAllOf(WriteCapture(
      {BytesEvent(0, Side::kHost, "first"), BytesEvent(kMaxTime, Side::kHost, "last")}));
  ASSERT_EQ(back.events.size(), 2u);
  EXPECT_EQ(back.events[1].event.at.ns(), kMaxTime);
  EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), FullInfo());
  ASSERT_TRUE(writer.ok());
  EXPECT_EQ((*writer)->Append(BytesEvent(kMaxTime + 1, Side::kHost, "x")).code(),
            Code::kInvalidArgument);
}

}  // namespace
}  // namespace witness
