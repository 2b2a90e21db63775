// Many events at a time are the same events as one at a time.
#include "capture/store/event_batch.h"

#include <gtest/gtest.h>

#include <random>

#include "capture/store/packer.h"
#include "tests/support/capture_samples.h"

namespace witness {
namespace {

// As Next() would have given them.
ReadBack ReadInBatches(ByteView file, const ReaderOptions& options = {}) {
  ReadBack all;
  auto reader = CaptureReader::OpenMemory(file, options);
  EXPECT_TRUE(reader.ok()) << reader.status().message();
  if (!reader.ok()) return all;
  EventBatch batch;
  while ((*reader)->NextBatch(batch) == CaptureReader::Outcome::kEvent) {
    EXPECT_FALSE(batch.events.empty());
    EXPECT_EQ((*reader)->index(), batch.first + batch.events.size() - 1);
    EXPECT_TRUE(batch.details == nullptr || batch.events.size() == 1);
    for (std::size_t i = 0; i < batch.events.size(); ++i) {
      const BriefEvent& brief = batch.events[i];
      EXPECT_EQ(HasDetails(brief.kind), batch.details != nullptr);
      Event event;
      event.at = brief.at;
      event.kind = brief.kind;
      event.side = brief.side;
      event.bytes = brief.bytes();
      if (batch.details != nullptr) {
        EXPECT_EQ(batch.details->at, brief.at);
        EXPECT_EQ(batch.details->kind, brief.kind);
        event = *batch.details;
      }
      all.events.emplace_back(event);
      all.indices.push_back(batch.first + i);
    }
  }
  all.ending = (*reader)->ending();
  return all;
}

// Runs from one event to thousands, pauses from none to minutes, now and then something rare.
std::vector<Event> MixedEvents(Bytes& storage, std::size_t count, unsigned rare_in) {
  std::mt19937 random(5);
  storage.resize(200'000);
  for (char& c : storage) c = static_cast<char>(random());
  const std::vector<Event> rare = EventsOfEveryKind();
  std::vector<Event> events;
  std::int64_t at = 0;
  while (events.size() < count) {
    const auto side = static_cast<Side>(random() % 3);
    const std::size_t run = random() % 40 == 0 ? random() % 3000 : 1 + random() % 4;
    for (std::size_t i = 0; i < run; ++i) {
      at += random() % 500 == 0 ? static_cast<std::int64_t>(random() % 5'000'000) * 50'000
                                : random() % 100'000;
      const std::size_t from = random() % 90'000;
      const std::size_t size = random() % 30 == 0 ? random() % 70'000 : random() % 9;
      events.push_back(BytesEvent(at, side, ByteView(storage).substr(from, size)));
    }
    if (rare_in > 0 && random() % rare_in == 0) {
      Event event = rare[random() % rare.size()];
      event.at = Instant::FromNanoseconds(at);
      events.push_back(event);
    }
  }
  return events;
}

Bytes Packed(const std::vector<Event>& events, const PackSettings& settings) {
  Bytes file;
  const auto sink = OpenMemorySink(file);
  auto packer = Packer::Create(*sink, FullInfo(), settings);
  EXPECT_TRUE(packer.ok());
  for (const Event& event : events) EXPECT_TRUE((*packer)->Add(event).ok());
  EXPECT_TRUE((*packer)->Finish(events.back().at).ok());
  return file;
}

TEST(EventBatch, GivesWhatNextGivesOfBlocksOfAnySizeAndKind) {
  for (const unsigned rare_in : {0u, 300u, 2u}) {
    Bytes storage;
    const std::vector<Event> events = MixedEvents(storage, 20'000, rare_in);
    for (const std::size_t block_bytes :
         {std::size_t{600}, std::size_t{20'000}, std::size_t{1} << 20}) {
      PackSettings settings;
      settings.level = 1;
      settings.block_bytes = block_bytes;
      const Bytes file = Packed(events, settings);
      const ReadBack singly = ReadAllOf(file);
      ExpectSameEvents(singly.events, events);
      EXPECT_TRUE(singly.ending.closed_cleanly) << singly.ending.what;
      ExpectSameReading(ReadInBatches(file), singly);
    }
  }
}

TEST(EventBatch, LeavesOutWhatIsNotWanted) {
  Bytes storage;
  const std::vector<Event> events = MixedEvents(storage, 8'000, 50);
  PackSettings settings;
  settings.level = 1;
  settings.block_bytes = 50'000;
  const Bytes file = Packed(events, settings);
  std::mt19937 random(6);
  for (int round = 0; round < 30; ++round) {
    const std::size_t first = random() % events.size();
    const std::size_t behind = first + random() % (events.size() - first);
    ReaderOptions options;
    options.from = events[first].at;
    if (round % 3 != 0) options.to = events[behind].at;
    std::vector<Event> wanted;
    for (const Event& event : events) {
      if (event.at >= options.from && event.at < options.to) wanted.push_back(event);
    }
    const ReadBack singly = ReadAllOf(file, options);
    ExpectSameEvents(singly.events, wanted);
    ExpectSameReading(ReadInBatches(file, options), singly);
  }
}

TEST(EventBatch, TellsOfDamageAtItsPlace) {
  Bytes storage;
  const std::vector<Event> events = MixedEvents(storage, 8'000, 50);
  PackSettings settings;
  settings.level = 1;
  settings.block_bytes = 10'000;
  settings.frame_bytes = 40'000;
  const Bytes whole = Packed(events, settings);
  std::mt19937 random(7);
  for (int round = 0; round < 20; ++round) {
    Bytes file = whole;
    const std::size_t at = 300 + random() % (file.size() - 300);
    if (round % 4 == 3) {
      file.resize(at);
    } else {
      file[at] = static_cast<char>(file[at] ^ 1 << random() % 8);
    }
    ExpectSameReading(ReadInBatches(file), ReadAllOf(file));
  }
}

TEST(EventBatch, GivesTheRestOfWhatNextBegan) {
  Bytes storage;
  const std::vector<Event> events = MixedEvents(storage, 3'000, 100);
  const Bytes file = Packed(events, PackSettings{});
  auto reader = CaptureReader::OpenMemory(file);
  ASSERT_TRUE(reader.ok());
  std::size_t place = 0;
  std::mt19937 random(8);
  while (true) {
    bool end = false;
    for (std::size_t i = random() % 5; i > 0 && !end; --i) {
      Event event;
      end = (*reader)->Next(event) != CaptureReader::Outcome::kEvent;
      if (end) break;
      EXPECT_EQ((*reader)->index(), place);
      ASSERT_LT(place, events.size());
      EXPECT_TRUE(event == events[place++]);
    }
    EventBatch batch;
    if (end || (*reader)->NextBatch(batch) != CaptureReader::Outcome::kEvent) break;
    EXPECT_EQ(batch.first, place);
    for (const BriefEvent& brief : batch.events) {
      ASSERT_LT(place, events.size());
      EXPECT_EQ(brief.at, events[place].at);
      EXPECT_EQ(brief.side, events[place++].side);
    }
  }
  EXPECT_EQ(place, events.size());
}

}  // namespace
}  // namespace witness
