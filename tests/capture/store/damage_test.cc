// What happens to files: flipped bits, overwritten stretches, cuts, lost and doubled frames.
// Nothing wrong may ever be delivered, and nothing that is missing may go unsaid.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "capture/store/mend.h"
#include "capture/store/packer.h"
#include "capture/store/verify.h"
#include "tests/support/capture_samples.h"
#include "tests/support/sanitized.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

// Of each byte; with the sanitizer one suffices.
constexpr std::size_t kBits = kSanitized ? 1 : 8;

// Some dialogue and one event of each kind, in several small frames.
Bytes SmallFrames(std::vector<Event>& events) {
  events = EventsOfEveryKind();
  static constexpr ByteView kSaid[] = {"AT+CHAN?\r\n", "\r\n+CHAN: 11\r\n", "\r\nOK\r\n"};
  for (int i = 0; i < 60; ++i) {
    events.push_back(BytesEvent(3'600'000'000'001 + i * 7'654'321ll,
                                i % 3 == 0 ? Side::kHost : Side::kModule, kSaid[i % 3]));
  }
  const Bytes live = WriteCapture(events);
  Bytes file;
  auto reader = CaptureReader::OpenMemory(live);
  PackSettings settings;
  settings.block_bytes = 150;
  settings.frame_bytes = 300;
  const auto sink = OpenMemorySink(file);
  EXPECT_TRUE(Pack(**reader, FullInfo(), *sink, settings).ok());
  return file;
}

// Reads `file`, a spoilt copy of one that holds `events`; returns whether anything was said of it.
// Fails if an event is delivered that was not there.
bool ReadsNothingWrong(ByteView file, const std::vector<Event>& events) {
  auto reader = CaptureReader::OpenMemory(file);
  if (!reader.ok()) return true;
  const ReadBack back = ReadAll(**reader);
  std::size_t true_events = 0;
  for (std::size_t i = 0; i < back.events.size(); ++i) {
    const Event event = back.events[i].View();
    if (event.kind == EventKind::kGap && event.gap.reason == GapReason::kDamagedFile) continue;
    ++true_events;
    const std::uint64_t place = back.indices[i];
    if (place >= events.size() || !(event == events[place])) {
      ADD_FAILURE() << "event " << place << " is wrong";
      return true;
    }
  }
  if (!back.ending.closed_cleanly) return true;
  EXPECT_EQ(true_events, events.size()) << "said to be whole, but is not";
  return false;
}

TEST(Damage, EverySingleFlippedBitIsFound) {
  std::vector<Event> events;
  Bytes file = SmallFrames(events);
  ASSERT_TRUE(VerifyMemory(file)->sound());
  std::size_t flips = 0;
  for (std::size_t at = 0; at < file.size(); ++at) {
    for (std::size_t i = 0; i < kBits; ++i, ++flips) {
      const std::size_t bit = (at + i) % 8;
      file[at] = static_cast<char>(file[at] ^ (1 << bit));
      const auto found = VerifyMemory(file);
      ASSERT_TRUE(!found.ok() || !found->sound()) << "byte " << at << " bit " << bit;
      ReadsNothingWrong(file, events);
      ASSERT_FALSE(HasFailure()) << "byte " << at << " bit " << bit;
      file[at] = static_cast<char>(file[at] ^ (1 << bit));
    }
  }
  EXPECT_GT(flips, 1000u * kBits);
}

TEST(Damage, FlippedBitsInALiveFileShowNothingWrong) {
  const auto events = EventsOfEveryKind();
  Bytes file = WriteCapture(events, FullInfo(), false);
  for (std::size_t at = 0; at < file.size(); ++at) {
    for (std::size_t i = 0; i < kBits; ++i) {
      const std::size_t bit = (at + i) % 8;
      file[at] = static_cast<char>(file[at] ^ (1 << bit));
      EXPECT_TRUE(ReadsNothingWrong(file, events));
      ASSERT_FALSE(HasFailure()) << "byte " << at << " bit " << bit;
      file[at] = static_cast<char>(file[at] ^ (1 << bit));
    }
  }
}

TEST(Damage, RunsOfZerosAndRubbishAreFound) {
  std::vector<Event> events;
  const Bytes whole = SmallFrames(events);
  std::mt19937 random(7);
  constexpr int kRounds = kSanitized ? 1000 : 6000;
  for (int round = 0; round < kRounds; ++round) {
    Bytes file = whole;
    const std::size_t from = random() % file.size();
    const std::size_t size = 1 + random() % std::min<std::size_t>(file.size() - from, 600);
    for (std::size_t i = 0; i < size; ++i) {
      file[from + i] = round % 2 == 0 ? '\0' : static_cast<char>(random());
    }
    if (file == whole) continue;
    const auto found = VerifyMemory(file);
    ASSERT_TRUE(!found.ok() || !found->sound()) << "round " << round;
    ReadsNothingWrong(file, events);
    ASSERT_FALSE(HasFailure()) << "round " << round;
  }
}

TEST(Damage, ADamagedFrameCostsNoOtherFrame) {
  std::vector<Event> events;
  const Bytes whole = SmallFrames(events);
  Bytes file = whole;
  const std::size_t middle = file.size() / 2;
  for (std::size_t i = 0; i < 8; ++i) file[middle + i] = 'X';
  const ReadBack back = ReadAllOf(file);
  EXPECT_TRUE(back.ending.damaged);
  EXPECT_TRUE(back.events.front().View() == events.front());
  EXPECT_TRUE(back.events.back().View() == events.back());
  std::size_t gaps = 0;
  std::uint64_t lost = 0;
  for (const OwnedEvent& event : back.events) {
    if (event.event.kind != EventKind::kGap) continue;
    if (event.event.gap.reason != GapReason::kDamagedFile) continue;
    ++gaps;
    lost += event.event.gap.events_lost;
    EXPECT_GT(event.event.gap.length, Duration::Zero());
  }
  EXPECT_EQ(gaps, 1u);
  EXPECT_EQ(back.events.size() - gaps + lost, events.size());
  EXPECT_LT(lost, 30u);
}

// Places of frames by their magic number; the sample holds it nowhere else.
std::vector<std::size_t> FrameStarts(ByteView file) {
  std::vector<std::size_t> starts;
  const ByteView magic("\x28\xB5\x2F\xFD", 4);
  for (std::size_t at = file.find(magic); at != ByteView::npos; at = file.find(magic, at + 1)) {
    starts.push_back(at);
  }
  return starts;
}

TEST(Damage, LostDoubledAndSwappedFramesAreFound) {
  std::vector<Event> events;
  const Bytes file = SmallFrames(events);
  const auto starts = FrameStarts(file);
  ASSERT_GT(starts.size(), 5u);
  const auto frame = [&](std::size_t i) {
    return file.substr(starts[i], starts[i + 1] - starts[i]);
  };
  const auto spoilt = [&](std::size_t i, const Bytes& instead) {
    return file.substr(0, starts[i]) + instead + file.substr(starts[i + 2]);
  };
  for (std::size_t i = 1; i + 2 < starts.size(); ++i) {
    for (const Bytes& instead :
         {frame(i), frame(i + 1), frame(i) + frame(i) + frame(i + 1), frame(i + 1) + frame(i)}) {
      const Bytes bad = spoilt(i, instead);
      EXPECT_TRUE(ReadsNothingWrong(bad, events)) << i;
      EXPECT_FALSE(VerifyMemory(bad)->sound()) << i;
    }
  }
  // A skippable frame whose size swallows the frames behind it.
  Bytes swallowing = file;
  swallowing.insert(starts[2], "\x50\x2A\x4D\x18" + Bytes("\x00\x00\x00\x00", 4));
  EXPECT_EQ(ReadAllOf(swallowing).events.size(), events.size());
  swallowing[starts[2] + 4] = static_cast<char>(starts[3] - starts[2]);
  EXPECT_TRUE(ReadsNothingWrong(swallowing, events));
}

TEST(Damage, CutsBetweenFramesAreCutsAndNotWhole) {
  std::vector<Event> events;
  const Bytes file = SmallFrames(events);
  for (const std::size_t start : FrameStarts(file)) {
    if (start == 0) continue;
    const auto found = VerifyMemory(ByteView(file).substr(0, start));
    ASSERT_TRUE(found.ok());
    EXPECT_FALSE(found->sound());
    EXPECT_FALSE(found->ending.damaged) << found->ending.what;
  }
}

TEST(Damage, CutAtEveryByteIsSaidAndDeliversOnlyWhatWasThere) {
  std::vector<Event> events;
  const Bytes file = SmallFrames(events);
  std::size_t before = 0;
  for (std::size_t size = 1; size < file.size(); ++size) {
    const ByteView cut = ByteView(file).substr(0, size);
    ReadsNothingWrong(cut, events);
    ASSERT_FALSE(HasFailure()) << "cut at " << size;
    const auto found = VerifyMemory(cut);
    if (!found.ok()) continue;
    EXPECT_GE(found->ending.events, before) << "a longer piece holds no less";
    before = found->ending.events;
  }
  EXPECT_EQ(before, events.size());
}

class Mend : public ::testing::Test {
 protected:
  void Put(const std::string& name, ByteView bytes) {
    auto sink = OpenFileSink(Path(name), true);
    ASSERT_TRUE(sink.ok());
    ASSERT_TRUE((*sink)->Write(bytes).ok());
    ASSERT_TRUE((*sink)->Close().ok());
  }
  std::string Path(const std::string& name) {
    return TemporaryPath(::testing::UnitTest::GetInstance()->current_test_info()->name() + name);
  }
  void SetUp() override { std::remove(Path("new").c_str()); }
  void TearDown() override {
    std::remove(Path("new").c_str());
    std::remove(Path("old").c_str());
  }
};

TEST_F(Mend, KeepsWhatIsProvenAndMarksTheGap) {
  std::vector<Event> events;
  Bytes file = SmallFrames(events);
  for (std::size_t i = 0; i < 8; ++i) file[file.size() / 2 + i] = 'X';
  Put("old", file);
  const auto report = MendFile(Path("old"), Path("new"));
  ASSERT_TRUE(report.ok()) << report.status().message();
  EXPECT_EQ(report->gaps, 1u);
  EXPECT_EQ(report->events + report->events_lost, events.size());
  EXPECT_TRUE(report->source.damaged);
  const auto mended = VerifyFile(Path("new"));
  ASSERT_TRUE(mended.ok());
  EXPECT_TRUE(mended->sound()) << mended->ending.what;
  EXPECT_EQ(mended->ending.events, report->events + 1);
  EXPECT_EQ(mended->info.title, FullInfo().title);
  EXPECT_EQ(mended->info.origin, Origin::kMend);
}

TEST_F(Mend, ClosesACutFile) {
  Put("old", WriteCapture(EventsOfEveryKind(), FullInfo(), false));
  const auto report = MendFile(Path("old"), Path("new"));
  ASSERT_TRUE(report.ok()) << report.status().message();
  EXPECT_EQ(report->events, EventsOfEveryKind().size());
  EXPECT_EQ(report->gaps, 1u) << "the end";
  EXPECT_TRUE(VerifyFile(Path("new"))->sound());
}

TEST_F(Mend, NeverOverwrites) {
  Put("old", WriteCapture(EventsOfEveryKind()));
  EXPECT_FALSE(MendFile(Path("old"), Path("old")).ok());
  EXPECT_TRUE(VerifyFile(Path("old"))->sound());
  Put("new", "mine");
  EXPECT_EQ(MendFile(Path("old"), Path("new")).status().code(), Code::kInvalidArgument);
}

}  // namespace
}  // namespace witness
