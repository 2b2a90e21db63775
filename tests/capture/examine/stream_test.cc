// What reading a capture quickly must not change: bursts taken where they lie, what is remembered
// of bytes, buffers that are used again.
#include <gtest/gtest.h>

#include "capture/base/text.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/secrets.h"
#include "tests/support/drawn_talk.h"
#include "tests/support/examined.h"
#include "tests/support/hard_talk.h"

namespace witness {
namespace {

using test::LabelledTalk;

std::string Essence(const Segment& s) {
  std::string out = std::to_string(s.index) + " " + SegmentKindName(s.kind) + " " +
                    SideName(s.side) + " " + std::to_string(s.from.ns()) + " " +
                    std::to_string(s.to.ns()) + " " + std::to_string(s.first_event) + "+" +
                    std::to_string(s.first_offset) + " " + std::to_string(s.last_event) + "+" +
                    std::to_string(s.last_offset) + " " + ToEscapes(s.bytes) + " " + WhyEnded(s) +
                    " " + SurenessName(s.sure) + " " + s.kind_why + " " + std::to_string(s.turn) +
                    " " + ProtocolOf(s);
  for (const SegmentPiece& piece : s.pieces)
    out += " " + std::to_string(piece.event) + ":" + std::to_string(piece.size);
  return out + "\n";
}

std::string Essence(const Exchange& e) {
  std::string out = "exchange\n" + Essence(e.command);
  if (e.echo) out += Essence(*e.echo);
  for (const Segment& s : e.replies) out += Essence(s);
  for (const Segment& s : e.unsolicited) out += Essence(s);
  return out;
}

std::vector<LabelledTalk> Talks() {
  std::vector<LabelledTalk> out;
  for (unsigned seed = 1; seed <= 60; ++seed) out.push_back(test::DrawnTalk(seed).Make());
  for (const std::string& sort : test::HardTalk::Sorts())
    for (unsigned seed = 1; seed <= 3; ++seed) out.push_back(test::HardTalk(sort, seed).Make());
  return out;
}

// Examines `file`, having learnt from the first few bursts so that most are beyond.
void Watch(const Bytes& file, const ConversationHandlers& handlers) {
  auto reader = CaptureReader::OpenMemory(file);
  ASSERT_TRUE(reader.ok());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  options.segmenter.learn_bursts = 8;
  ASSERT_TRUE(Examine(**reader, options, handlers).ok());
}

TEST(Stream, WhoWatchesEventsGetsTheSameSegmentsAndExchanges) {
  for (const LabelledTalk& talk : Talks()) {
    const Bytes file = test::CaptureOf(talk.events);
    std::string segments[2], exchanges[2];
    for (const int watched : {0, 1}) {
      std::uint64_t next = 0;
      ConversationHandlers handlers;
      if (watched != 0)
        handlers.on_event = [&](const Event&, std::uint64_t index) { EXPECT_EQ(index, next++); };
      handlers.on_segment = [&](const Segment& s) { segments[watched] += Essence(s); };
      handlers.on_exchange = [&](const Exchange& e) { exchanges[watched] += Essence(e); };
      Watch(file, handlers);
      EXPECT_EQ(next, watched != 0 ? talk.events.size() : 0u);
    }
    ASSERT_EQ(segments[0], segments[1]);
    ASSERT_EQ(exchanges[0], exchanges[1]);
    ASSERT_FALSE(segments[0].empty());
  }
}

TEST(Stream, WhatIsRememberedOfBytesIsWhatTheyAre) {
  std::size_t seen = 0, remembered = 0;
  for (const LabelledTalk& talk : Talks()) {
    ConversationHandlers handlers;
    handlers.on_segment = [&](const Segment& s) {
      if (s.bytes.empty()) return;
      const std::string what = Essence(s);
      const Content now = ContentOf(s.bytes, IsText(s.bytes));
      ASSERT_TRUE(s.content.known) << what;
      EXPECT_EQ(s.content.all_text, now.all_text) << what;
      EXPECT_EQ(s.content.text, CountText(s.bytes)) << what;
      EXPECT_EQ(s.content.final_code, now.final_code) << what;
      EXPECT_EQ(s.content.command_line, now.command_line) << what;
      EXPECT_EQ(s.content.connects, now.connects) << what;
      EXPECT_EQ(s.content.hangs_up, now.hangs_up) << what;
      EXPECT_EQ(s.content.loose_return, now.loose_return) << what;
      EXPECT_EQ(s.content.names_value, now.names_value) << what;
      ++seen;
      if (!s.content.sought) return;
      ++remembered;
      EXPECT_EQ(s.content.secret, !SecretsIn(s.bytes, SpeaksAsHost(s)).empty()) << what;
      EXPECT_EQ(s.content.asked, AskedFor(s.bytes)) << what;
    };
    Watch(test::CaptureOf(talk.events), handlers);
  }
  EXPECT_GT(remembered, seen / 4);
  EXPECT_LT(remembered, seen);  // frames are not
}

TEST(Stream, ClearedListOfSegmentsIsEmptyAndSoIsItsCopy) {
  SegmentList list;
  list.Append().bytes = "one";
  list.Append().bytes = "two";
  ASSERT_EQ(list.size(), 2u);
  EXPECT_EQ(list.back().bytes, "two");
  list.clear();
  EXPECT_TRUE(list.empty());
  EXPECT_EQ(list.begin(), list.end());
  list.Append().bytes = "three";
  SegmentList copy = list;
  ASSERT_EQ(copy.size(), 1u);
  EXPECT_EQ(copy[0].bytes, "three");
  EXPECT_LT(copy.capacity(), list.capacity());  // "two" stayed behind
  const SegmentList moved = std::move(copy);
  EXPECT_EQ(moved.size(), 1u);
  copy = moved;
  EXPECT_EQ(copy.size(), 1u);
}

}  // namespace
}  // namespace witness
