// The parts of the shortcut one by one: runs, shapes, what is kept of answers and values.
#include <gtest/gtest.h>

#include <random>
#include <set>
#include <string>
#include <vector>

#include "capture/examine/kept_answers.h"
#include "capture/examine/plain/runs.h"
#include "capture/examine/plain/sentences.h"
#include "capture/examine/plain/shape.h"
#include "capture/examine/recent_values.h"

namespace witness {
namespace {

class Shapes {
 public:
  // The number that was given to the shape; 0: it is not known yet.
  int Of(const std::string& bytes, std::size_t mark = 0) {
    const int* const known = memo_.Of(bytes, mark, [this](int& out) { out = ++made_; });
    return known == nullptr ? 0 : *known;
  }
  int made() const { return made_; }

 private:
  ShapeMemo<int> memo_;
  int made_ = 0;
};

TEST(Shape, IsKnownFromTheSecondTimeOnWhateverItsDigits) {
  Shapes shapes;
  EXPECT_EQ(shapes.Of("+LEVEL: 431 mm, 12.5 C\r\n"), 0);
  EXPECT_EQ(shapes.Of("+LEVEL: 999 mm, 00.0 C\r\n"), 1);
  EXPECT_EQ(shapes.Of("+LEVEL: 017 mm, 98.7 C\r\n"), 1);
  EXPECT_EQ(shapes.made(), 1);
}

TEST(Shape, IsAnotherWithAnyOtherByteSizeOrMark) {
  const std::string text = "+LEVEL: 431 mm, 12.5 C, and more of it behind these words\r\n";
  for (const std::size_t size : {std::size_t{16}, std::size_t{17}, std::size_t{31}, std::size_t{32},
                                 std::size_t{48}, text.size()}) {
    Shapes shapes;
    const std::string base = text.substr(0, size);
    shapes.Of(base, 3);
    ASSERT_EQ(shapes.Of(base, 3), 1);
    EXPECT_NE(shapes.Of(base, 4), 1);
    EXPECT_NE(shapes.Of(base + "x", 3), 1);
    EXPECT_NE(shapes.Of(base.substr(0, size - 1), 3), 1);
    for (std::size_t at = 0; at < size; ++at) {
      std::string other = base;
      other[at] = base[at] == '#' ? '%' : '#';
      EXPECT_NE(shapes.Of(other, 3), 1) << at;
      // The bytes beside '0' and '9' are no digits.
      if (base[at] < '0' || base[at] > '9') continue;
      for (const char c : {'/', ':'}) {
        other[at] = c;
        EXPECT_NE(shapes.Of(other, 3), 1) << at;
      }
    }
    EXPECT_EQ(shapes.Of(base, 3), 1);
  }
}

TEST(Shape, TooShortOrTooLongIsNeverKnown) {
  Shapes shapes;
  for (const std::size_t size : {std::size_t{1}, std::size_t{15}, std::size_t{129}})
    for (int i = 0; i < 3; ++i) EXPECT_EQ(shapes.Of(std::string(size, 'a')), 0);
  EXPECT_EQ(shapes.made(), 0);
}

// Runs of one side and another, with pauses and now and then something odd.
std::vector<BriefEvent> RandomEvents(std::mt19937& random, std::size_t count, unsigned odd_in) {
  std::vector<BriefEvent> events(count);
  std::int64_t at = 1000;
  Side side = Side::kHost;
  for (BriefEvent& event : events) {
    if (random() % 4 == 0) side = side == Side::kHost ? Side::kModule : Side::kHost;
    at += random() % 8 == 0 ? 9'000 : 1 + random() % 3'000;
    event.side = side;
    event.size = static_cast<std::uint32_t>(1 + random() % 5);
    if (random() % odd_in == 0) {
      const auto what = random() % 3;
      if (what == 0) event.kind = EventKind::kBreak;
      if (what == 1) event.size = 0;
      if (what == 2) at = (&event == events.data() ? at : (&event)[-1].at.ns());
    }
    event.at = Instant::FromNanoseconds(at);
  }
  return events;
}

TEST(Runs, AreThoseFoundOneByOne) {
  constexpr std::int64_t kSilence = 5'000;
  std::mt19937 random(3);
  std::size_t stopped = 0, to_end = 0;
  for (int round = 0; round < 600; ++round) {
    const std::vector<BriefEvent> events =
        RandomEvents(random, 1 + random() % 700, round % 3 == 0 ? 1'000'000 : 150);
    const std::size_t from = random() % events.size();
    Runs runs;
    runs.Find(events, from, kSilence);
    const auto begins = runs.begins();
    ASSERT_FALSE(begins.empty());
    ASSERT_EQ(begins[0], &events[from]);
    for (std::size_t i = 0; i + 1 < begins.size(); ++i) {
      const auto at = static_cast<std::size_t>(begins[i] - events.data());
      ASSERT_EQ(begins[i + 1] - events.data(),
                static_cast<std::ptrdiff_t>(EndOfRun(events, at, kSilence)))
          << "round " << round << ", run " << i;
    }
    const auto last = static_cast<std::size_t>(begins.back() - events.data());
    const std::size_t end = EndOfRun(events, last, kSilence);
    if (runs.stopped()) {
      // In the last run or right behind it stands what is odd.
      ++stopped;
      ASSERT_TRUE(end == 0 || EndOfRun(events, end, kSilence) == 0 ||
                  events[end].at == events[end - 1].at);
    } else if (runs.to_end()) {
      ++to_end;
      ASSERT_EQ(end, events.size());
    } else {
      ASSERT_GE(begins.size(), 32u);
    }
  }
  EXPECT_GT(stopped, 50u);
  EXPECT_GT(to_end, 50u);
}

TEST(KeptAnswers, FindsTheFirstAnswerOfEachCommandAndNoOther) {
  KeptAnswers kept;
  for (std::size_t i = 0; i < KeptAnswers::kMost; ++i) {
    const std::string command = "AT+REPORT=butt-" + std::to_string(i) + ",level\r\n";
    ASSERT_FALSE(kept.full());
    ASSERT_EQ(kept.Find(command), nullptr);
    kept.Keep(command, std::string(i % 7, 'a') + std::to_string(i));
  }
  EXPECT_TRUE(kept.full());
  EXPECT_EQ(kept.longest(), 9u);
  std::set<Bytes> found;
  for (std::size_t i = 0; i < 2 * KeptAnswers::kMost; ++i) {
    const Bytes* const answer = kept.Find("AT+REPORT=butt-" + std::to_string(i) + ",level\r\n");
    EXPECT_EQ(answer != nullptr, i < KeptAnswers::kMost) << i;
    if (answer != nullptr) found.insert(*answer);
  }
  EXPECT_EQ(found.size(), KeptAnswers::kMost);
  EXPECT_EQ(kept.Find("A"), nullptr);
}

TEST(RecentValues, HoldsTheLastOnesOnceEach) {
  RecentValues values;
  EXPECT_TRUE(values.empty());
  values.Add(std::string(RecentValues::kLongest + 1, 'x'));
  EXPECT_TRUE(values.empty());
  for (int i = 0; i < 3; ++i)
    for (const char* const value : {"north", "12", "butt-3,level,437"}) values.Add(value);
  std::multiset<Bytes> held;
  values.ForAll([&](ByteView value) { held.emplace(value); });
  EXPECT_EQ(held.count("butt-3,level,437"), 1u);
  EXPECT_LE(held.count("north"), 1u);
  EXPECT_LE(held.size(), 3u);
  for (int i = 0; i < 10'000; ++i) values.Add("value " + std::to_string(i));
  std::size_t n = 0;
  values.ForAll([&](ByteView) { ++n; });
  EXPECT_LE(n, 32u);
}

TEST(SentenceShapes, TakesWholeSentencesWithTheirChecksumOnly) {
  // From memory; the checksums are computed by hand of these bytes.
  const Bytes sentence = "$GPGLL,4916.45,N,12311.12,W,225444,A*31\r\n";
  SentenceShapes shapes;
  std::vector<PlainSentences::Sentence> out;
  EXPECT_FALSE(shapes.Find(sentence, true, out));  // for the first time
  const Bytes twice = sentence + sentence;
  ASSERT_TRUE(shapes.Find(twice, true, out));
  ASSERT_EQ(out.size(), 2u);
  EXPECT_EQ(out[1].bytes, sentence);
  EXPECT_EQ(out[1].content->secrets[static_cast<std::size_t>(SecretKind::kPosition)], 1u);
  EXPECT_FALSE(shapes.Find(sentence, false, out));  // it holds a position
  Bytes wrong = sentence;
  wrong[sentence.size() - 3] = '2';
  EXPECT_FALSE(shapes.Find(wrong, true, out));
  EXPECT_FALSE(shapes.Find(sentence.substr(0, sentence.size() - 1), true, out));
  EXPECT_FALSE(shapes.Find("x" + sentence, true, out));
}

}  // namespace
}  // namespace witness
