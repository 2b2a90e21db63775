// Scanning on a thread of its own gives what scanning in place gives, whatever the file is like.
#include "capture/store/scan_ahead.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>

#include "capture/store/packer.h"
#include "tests/support/capture_samples.h"

namespace witness {
namespace {

// About two MiB that cannot be made smaller, with events of every kind in front.
std::vector<Event> ManyEvents(Bytes& storage) {
  std::vector<Event> events = EventsOfEveryKind();
  std::mt19937 random(11);
  storage.resize(2'000'000);
  for (char& c : storage) c = static_cast<char>(random());
  std::int64_t at = events.back().at.ns();
  for (std::size_t from = 0; from < storage.size();) {
    const std::size_t size =
        std::min<std::size_t>(1 + random() % (from % 3 == 0 ? 400 : 20), storage.size() - from);
    at += random() % 3'000'000;
    const Side side = random() % 3 == 0 ? Side::kHost : Side::kModule;
    events.push_back(BytesEvent(at, side, ByteView(storage).substr(from, size)));
    from += size;
  }
  return events;
}

Bytes Packed(ByteView live, const PackSettings& settings) {
  Bytes file;
  auto reader = CaptureReader::OpenMemory(live);
  const auto sink = OpenMemorySink(file);
  EXPECT_TRUE(Pack(**reader, FullInfo(), *sink, settings).ok());
  return file;
}

// One after the other until the end; every item in words, with all that its content holds.
std::vector<std::string> Items(ItemSource& source) {
  std::vector<std::string> items;
  while (true) {
    const ScanItem item = source.Next();
    items.push_back(std::to_string(static_cast<int>(item.kind)) + " " + std::to_string(item.field) +
                    " " + std::to_string(item.frame_offset) + " " +
                    std::to_string(item.end_offset) + " " + item.what + " " + Bytes(item.content));
    if (item.kind == ScanItem::Kind::kEnd || item.kind == ScanItem::Kind::kFailed) return items;
  }
}

// Every fourth round whole; else with a bit changed, cut, or with a hole.
Bytes Damaged(Bytes file, int round, std::mt19937& random) {
  const std::size_t at = 200 + random() % (file.size() - 200);
  if (round % 4 == 1) file[at] = static_cast<char>(file[at] ^ 1 << random() % 8);
  if (round % 4 == 2) file.resize(at);
  if (round % 4 == 3) {
    for (std::size_t i = at; i < std::min(at + 5000, file.size()); ++i) file[i] = '\0';
  }
  return file;
}

class ScanAheadTest : public ::testing::Test {
 protected:
  // Once for all tests: the packing takes a while.
  static void SetUpTestSuite() {
    if (!events_.empty()) return;
    events_ = ManyEvents(storage_);
    live_ = WriteCapture(events_, FullInfo());
    everyday_ = Packed(live_, PackSettings::Everyday());
    best_ = Packed(live_, PackSettings::Best());
  }
  static inline Bytes storage_;
  static inline std::vector<Event> events_;
  static inline Bytes live_, everyday_, best_;
};

TEST_F(ScanAheadTest, EveryEventOfALongCaptureIsRead) {
  for (const Bytes* file : {&live_, &everyday_, &best_}) {
    ASSERT_GT(file->size(), std::size_t{1} << 20);
    const ReadBack back = ReadAllOf(*file);
    EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
    EXPECT_EQ(back.ending.events, events_.size());
    ExpectSameEvents(back.events, events_);
  }
}

TEST_F(ScanAheadTest, ItemsAreThoseOfTheScannerWhateverHappenedToTheFile) {
  std::mt19937 random(12);
  for (const Bytes* whole : {&live_, &everyday_, &best_}) {
    for (int round = 0; round < 8; ++round) {
      const Bytes file = Damaged(*whole, round, random);
      const auto in_place_source = OpenMemorySource(file);
      const auto ahead_source = OpenMemorySource(file);
      const auto in_place = FrameScanner::Create(*in_place_source);
      const auto ahead = ScanAhead(FrameScanner::Create(*ahead_source), false);
      ASSERT_EQ(Items(*ahead), Items(*in_place)) << "round " << round;
      EXPECT_EQ(ahead->Next().kind, ScanItem::Kind::kEnd) << "the end stays the end";
    }
  }
}

TEST_F(ScanAheadTest, WhoeverStopsEarlyNeedNotTakeTheRest) {
  for (const Bytes* file : {&live_, &everyday_}) {
    for (const std::size_t taken : {0, 1, 3, 2000}) {
      auto reader = CaptureReader::OpenMemory(*file);
      ASSERT_TRUE(reader.ok());
      Event event;
      for (std::size_t i = 0; i < taken; ++i) {
        ASSERT_EQ((*reader)->Next(event), CaptureReader::Outcome::kEvent);
        ASSERT_TRUE(event == events_[i]);
      }
    }
  }
}

TEST_F(ScanAheadTest, ATimeRangeGivesTheSameEventsFromTheMiddle) {
  const std::size_t first = events_.size() / 2;
  ReaderOptions options;
  options.from = events_[first].at;
  for (const Bytes* file : {&live_, &everyday_, &best_}) {
    const ReadBack back = ReadAllOf(*file, options);
    ASSERT_FALSE(back.events.empty());
    const auto begin = std::find_if(events_.begin(), events_.end(),
                                    [&](const Event& e) { return e.at >= options.from; });
    ExpectSameEvents(back.events, {begin, events_.end()});
    EXPECT_EQ(back.indices.front(), static_cast<std::uint64_t>(begin - events_.begin()));
  }
}

// Bytes alone, many a block, as in nearly all captures: all events can be made ahead.
class MadeAheadTest : public ScanAheadTest {
 protected:
  static void SetUpTestSuite() {
    ScanAheadTest::SetUpTestSuite();
    if (!bytes_.empty()) return;
    std::mt19937 random(14);
    std::int64_t at = 0;
    for (std::size_t from = 0; from + 8 < storage_.size() / 3;) {
      const std::size_t size = 1 + random() % 8;
      bytes_.push_back(BytesEvent(at += random() % 300'000,
                                  random() % 3 == 0 ? Side::kHost : Side::kModule,
                                  ByteView(storage_).substr(from, size)));
      from += size;
    }
    live_bytes_ = WriteCapture(bytes_, FullInfo());
    best_bytes_ = Packed(live_bytes_, PackSettings::Best());
  }
  static inline std::vector<Event> bytes_;
  static inline Bytes live_bytes_, best_bytes_;
};

TEST_F(MadeAheadTest, EventsAreTheSameWhateverHappenedToTheFile) {
  std::mt19937 random(13);
  ReaderOptions made_ahead;
  made_ahead.make_ahead = true;
  for (const Bytes* whole : {&live_, &everyday_, &best_, &live_bytes_, &best_bytes_}) {
    for (int round = 0; round < 8; ++round) {
      const Bytes file = Damaged(*whole, round, random);
      SCOPED_TRACE(round);
      ExpectSameReading(ReadAllOf(file, made_ahead), ReadAllOf(file));
    }
  }
}

TEST_F(MadeAheadTest, ATimeRangeIsTheSame) {
  for (const Bytes* file : {&live_, &live_bytes_, &best_bytes_}) {
    const std::vector<Event>& events = file == &live_ ? events_ : bytes_;
    for (const std::size_t share : {1, 3, 7}) {
      ReaderOptions options;
      options.from = events[events.size() * share / 10].at;
      for (const bool ends : {false, true}) {
        if (ends) options.to = events[events.size() * (share + 1) / 10].at;
        ReaderOptions ahead = options;
        ahead.make_ahead = true;
        ExpectSameReading(ReadAllOf(*file, ahead), ReadAllOf(*file, options));
      }
    }
  }
}

TEST_F(MadeAheadTest, WhereItGoesOnBytesStayAndThoseOfTheNextFollow) {
  ReaderOptions made_ahead;
  made_ahead.make_ahead = true;
  for (const Bytes* file : {&live_bytes_, &best_bytes_}) {
    auto reader = CaptureReader::OpenMemory(*file, made_ahead);
    ASSERT_TRUE(reader.ok());
    ByteView before;
    bool goes_on = false;
    std::size_t at = 0, times = 0;
    EventBatch batch;
    while ((*reader)->NextBatch(batch) == CaptureReader::Outcome::kEvent) {
      if (goes_on) {
        ++times;
        ASSERT_EQ(before.data() + before.size(), batch.events[0].data);
        ASSERT_EQ(before, bytes_[at - 1].bytes);
      }
      for (const BriefEvent& event : batch.events) ASSERT_EQ(event.bytes(), bytes_[at++].bytes);
      before = batch.events.back().bytes();
      goes_on = batch.goes_on;
    }
    EXPECT_EQ(at, bytes_.size());
    // Of what is written live a block holds a quarter of a second.
    EXPECT_GT(times, file == &live_bytes_ ? 0u : 10u);
  }
}

TEST_F(MadeAheadTest, WhoeverStopsEarlyNeedNotTakeTheRest) {
  ReaderOptions made_ahead;
  made_ahead.make_ahead = true;
  for (const std::size_t taken : {0, 1, 700, 20'000}) {
    auto reader = CaptureReader::OpenMemory(best_bytes_, made_ahead);
    ASSERT_TRUE(reader.ok());
    Event event;
    for (std::size_t i = 0; i < taken; ++i) {
      ASSERT_EQ((*reader)->Next(event), CaptureReader::Outcome::kEvent);
      ASSERT_TRUE(event == bytes_[i]);
    }
  }
}

}  // namespace
}  // namespace witness
