// What must hold of any conversation: however its bytes are split into events, whenever it began,
// and however long a long silence is, the segments are the same.
#include <gtest/gtest.h>

#include <random>

#include "tests/support/bench_talk.h"
#include "tests/support/corpus_score.h"
#include "tests/support/talk.h"
#include "tests/support/typed_talk.h"
#include "tests/support/wire_talk.h"

namespace witness {
namespace {

using test::LabelledTalk;
using test::Segments;
using test::Talk;

// A talk of random utterances, some of them awkward: endings cut apart, echoes, binary, gaps.
std::vector<OwnedEvent> RandomTalk(std::mt19937& random) {
  static const char* const kWords[] = {
      "AT\r",         "AT+FW?\r\n", "\r\nOK\r\n", "OK",   "ERROR\r\n", "+JOIN: 3",
      "\r",           "\n",         "AT",         "\r\n", "sedge-b",   "\x01\x03\x00\xff",
      "+JOIN: 4\r\n", "OK\r",       "12.5"};
  const auto pick = [&](std::size_t n) {
    return std::uniform_int_distribution<std::size_t>(0, n - 1)(random);
  };
  Talk talk;
  double ms = 1;
  const std::size_t utterances = 4 + pick(30);
  Bytes last;
  for (std::size_t i = 0; i < utterances; ++i) {
    static constexpr double kPauses[] = {0, 0.2, 1, 5, 20, 35, 120, 500, 3000};
    ms += kPauses[pick(9)];
    if (pick(40) == 0) {
      talk.Mark(ms, pick(2) == 0 ? EventKind::kGap : EventKind::kBreak);
      continue;
    }
    const Side side = static_cast<Side>(pick(12) == 0 ? 0 : 1 + pick(2));
    Bytes words = pick(5) == 0 && side == Side::kModule ? last : Bytes(kWords[pick(15)]);
    if (pick(3) == 0) words += kWords[pick(15)];
    if (side == Side::kHost) last = words;
    talk.Say(ms, side, words, pick(25) == 0 ? EventKind::kBadByte : EventKind::kBytes);
  }
  return talk.events();
}

std::vector<OwnedEvent> SplitAtRandom(const std::vector<OwnedEvent>& events, std::mt19937& random) {
  std::vector<OwnedEvent> out;
  for (const OwnedEvent& owned : events) {
    const Event event = owned.View();
    std::size_t at = 0;
    do {
      const std::size_t n = std::uniform_int_distribution<std::size_t>(
          1, std::max<std::size_t>(1, event.bytes.size() - at))(random);
      Event piece = event;
      piece.bytes = event.bytes.substr(at, n);
      out.emplace_back(piece);
      at += n;
    } while (at < event.bytes.size());
  }
  return out;
}

// Everything but event indices, offsets and pieces, which do depend on the events.
std::string Essence(const std::vector<Segment>& segments, Duration shift = Duration::Zero()) {
  std::string out;
  for (const Segment& s : segments) {
    out += std::string(SegmentKindName(s.kind)) + " " + SideName(s.side) + " " +
           std::to_string((s.from - shift).ns()) + " " + std::to_string((s.to - shift).ns()) + " " +
           ToEscapes(s.bytes) + " " + LineEndingName(s.ending) + " " + WhyEnded(s) + " " +
           SurenessName(s.sure) + " " + s.kind_why + " " + std::to_string(s.turn) + " " +
           std::to_string(s.bad_bytes) + " " + ProtocolOf(s) + "\n";
  }
  return out;
}

TEST(Segmenter, AnySplitOfTheSameBytesSegmentsAlike) {
  for (unsigned seed = 0; seed < 400; ++seed) {
    std::mt19937 random(seed);
    const auto events = RandomTalk(random);
    SegmenterOptions options;
    if (seed % 3 == 0) options.character_time = Duration::Microseconds(1042);
    if (seed % 4 == 0) options.learn_bursts = 5;
    const std::string whole = Essence(Segments(events, options));
    for (int i = 0; i < 3; ++i)
      ASSERT_EQ(Essence(Segments(SplitAtRandom(events, random), options)), whole)
          << "seed " << seed;
  }
}

void ExpectEveryByteOnce(const std::vector<OwnedEvent>& events,
                         const std::vector<Segment>& segments, const std::string& what) {
  std::string said[3], kept[3];
  for (const OwnedEvent& e : events) said[static_cast<int>(e.event.side)] += e.bytes;
  for (const Segment& s : segments) {
    kept[static_cast<int>(s.side)] += s.bytes;
    std::size_t in_pieces = 0;
    for (const SegmentPiece& piece : s.pieces) in_pieces += piece.size;
    ASSERT_EQ(in_pieces, s.bytes.size()) << what;
    if (s.bytes.empty()) continue;
    ASSERT_EQ(s.pieces.front().event, s.first_event) << what;
    ASSERT_EQ(s.pieces.back().event, s.last_event) << what;
    // The segment's place really holds these bytes.
    const Bytes& first = events[s.first_event].bytes;
    ASSERT_EQ(first.substr(s.first_offset, s.pieces.front().size),
              s.bytes.substr(0, s.pieces.front().size))
        << what;
  }
  for (int side = 0; side < 3; ++side) ASSERT_EQ(kept[side], said[side]) << what;
}

TEST(Segmenter, NoByteIsLostOrMadeUp) {
  for (unsigned seed = 0; seed < 400; ++seed) {
    std::mt19937 random(seed);
    const auto events = RandomTalk(random);
    ExpectEveryByteOnce(events, Segments(events), "seed " + std::to_string(seed));
    if (HasFatalFailure()) return;
  }
}

// All of that for talks as they are, in each of their sorts.
template <typename Maker>
void TryTalks() {
  for (const std::string& sort : Maker::Sorts()) {
    for (unsigned seed = 101; seed <= 103; ++seed) {
      const std::string what = sort + ", seed " + std::to_string(seed);
      LabelledTalk talk = Maker(sort, seed).Make();
      const auto segments = test::SegmentsOf(talk);
      ExpectEveryByteOnce(talk.events, segments, what);
      if (testing::Test::HasFatalFailure()) return;
      const std::string whole = Essence(segments);
      LabelledTalk other = talk;
      std::mt19937 random(seed);
      other.events = SplitAtRandom(talk.events, random);
      ASSERT_EQ(Essence(test::SegmentsOf(other)), whole) << what;
      const Duration shift = Duration::Seconds(4321) + Duration::Nanoseconds(987);
      other.events = talk.events;
      for (OwnedEvent& e : other.events) e.event.at = e.event.at + shift;
      ASSERT_EQ(Essence(test::SegmentsOf(other), shift), whole) << what;
    }
  }
}

TEST(Segmenter, TalksOfAllSortsHoldWhateverTheirReadsAndTimes) {
  TryTalks<test::BenchTalk>();
  TryTalks<test::TypedTalk>();
  TryTalks<test::WireTalk>();
}

TEST(Segmenter, ShiftingAllTimesChangesNothing) {
  for (unsigned seed = 0; seed < 200; ++seed) {
    std::mt19937 random(seed);
    auto events = RandomTalk(random);
    const std::string before = Essence(Segments(events));
    const Duration shift = Duration::Seconds(12345) + Duration::Nanoseconds(678);
    for (OwnedEvent& e : events) e.event.at = e.event.at + shift;
    ASSERT_EQ(Essence(Segments(events), shift), before) << "seed " << seed;
  }
}

TEST(Segmenter, IdleTimeAddedToALongSilenceChangesOnlyThatSilence) {
  std::size_t tried = 0;
  for (unsigned seed = 0; seed < 200; ++seed) {
    std::mt19937 random(seed);
    auto events = RandomTalk(random);
    std::size_t at = 1;
    while (at < events.size() &&
           events[at].event.at - events[at - 1].event.at < Duration::Seconds(3))
      ++at;
    if (at >= events.size()) continue;
    ++tried;
    const auto before = Segments(events);
    const Instant moved = events[at].event.at;
    for (std::size_t i = at; i < events.size(); ++i)
      events[i].event.at = events[i].event.at + Duration::Seconds(7);
    auto after = Segments(events);
    ASSERT_EQ(before.size(), after.size()) << "seed " << seed;
    for (std::size_t i = 0; i < before.size(); ++i) {
      ASSERT_EQ(before[i].kind, after[i].kind) << "seed " << seed << " segment " << i;
      ASSERT_EQ(before[i].bytes, after[i].bytes) << "seed " << seed;
      const Duration later = before[i].from >= moved ? Duration::Seconds(7) : Duration::Zero();
      ASSERT_EQ(before[i].from + later, after[i].from) << "seed " << seed;
    }
  }
  EXPECT_GT(tried, 50u);
}

}  // namespace
}  // namespace witness
