// A seed makes the same labelled talk wherever it is compiled: each draw from the dice is in a
// place of its own in the order of the program. A list in braces is read from left to right, the
// arguments of a call and of `+` are in an order that each compiler chooses. Where two draws stand
// in such, gcc's and clang's builds of this test do not both find these sums.
#include <gtest/gtest.h>

#include <string>

#include "capture/store/crc32c.h"
#include "tests/support/bench_talk.h"
#include "tests/support/corpus_classes.h"
#include "tests/support/drawn_talk.h"
#include "tests/support/field_talk.h"
#include "tests/support/hard_talk.h"
#include "tests/support/typed_talk.h"
#include "tests/support/wire_talk.h"
#include "tests/support/yard_talk.h"

namespace witness {
namespace {

class TalkSum {
 public:
  void Add(const test::LabelledTalk& talk) {
    for (const test::Utterance& u : talk.truth) {
      Add(static_cast<std::uint64_t>(u.kind));
      Add(u.side, u.bytes);
    }
    for (const OwnedEvent& e : talk.events) {
      Add(static_cast<std::uint64_t>(e.event.kind));
      Add(static_cast<std::uint64_t>(e.event.at.ns()));
      Add(e.event.side, e.View().bytes);
    }
    Add(static_cast<std::uint64_t>(talk.character_time.ns()));
    Add(static_cast<std::uint64_t>(talk.stamp_uncertainty.ns()));
  }
  std::uint32_t sum() const { return sum_; }

 private:
  void Add(std::uint64_t value) {
    char bytes[8];
    for (char& b : bytes) {
      b = static_cast<char>(value & 0xff);
      value >>= 8;
    }
    sum_ = Crc32c(ByteView(bytes, sizeof(bytes)), sum_);
  }
  void Add(Side side, ByteView bytes) {
    Add(static_cast<std::uint64_t>(side));
    Add(bytes.size());
    sum_ = Crc32c(bytes, sum_);
  }

  std::uint32_t sum_ = 0;
};

constexpr unsigned kSeeds = 10;

// The sum of all sorts; `each` says that of each, to be compared between two builds.
template <typename Maker>
std::uint32_t SumOfSorts(std::string& each) {
  TalkSum all;
  for (const std::string& sort : Maker::Sorts()) {
    TalkSum one;
    for (unsigned seed = 1; seed <= kSeeds; ++seed) {
      const auto talk = Maker(sort, seed).Make();
      one.Add(talk);
      all.Add(talk);
    }
    each += sort + ": " + std::to_string(one.sum()) + "\n";
  }
  return all.sum();
}

template <typename Maker>
void ExpectSum(std::uint32_t expected) {
  std::string each;
  EXPECT_EQ(SumOfSorts<Maker>(each), expected) << each;
}

TEST(TalkMakers, BenchTalksAreThoseOfTheirSeeds) { ExpectSum<test::BenchTalk>(2494346612); }
TEST(TalkMakers, FieldTalksAreThoseOfTheirSeeds) { ExpectSum<test::FieldTalk>(3706383745); }
TEST(TalkMakers, YardTalksAreThoseOfTheirSeeds) { ExpectSum<test::YardTalk>(1956045885); }
TEST(TalkMakers, HardTalksAreThoseOfTheirSeeds) { ExpectSum<test::HardTalk>(3202600894); }
TEST(TalkMakers, TypedTalksAreThoseOfTheirSeeds) { ExpectSum<test::TypedTalk>(4270836079); }
TEST(TalkMakers, WireTalksAreThoseOfTheirSeeds) { ExpectSum<test::WireTalk>(50184270); }

TEST(TalkMakers, DrawnTalksAreThoseOfTheirSeeds) {
  TalkSum sum;
  std::string each;
  for (unsigned seed = 1; seed <= 200; ++seed) {
    TalkSum one;
    const auto talk = test::DrawnTalk(seed).Make();
    one.Add(talk);
    sum.Add(talk);
    each += std::to_string(seed) + ": " + std::to_string(one.sum()) + "\n";
  }
  EXPECT_EQ(sum.sum(), 428558733u) << each;
}

TEST(TalkMakers, TalksOfTheCorpusAreThoseOfTheirSeeds) {
  TalkSum sum;
  std::string each;
  for (const test::CorpusClass& what : test::CorpusClasses()) {
    TalkSum one;
    for (unsigned seed = 1; seed <= kSeeds; ++seed) {
      const auto talk = test::CorpusMaker(what, seed).Make();
      one.Add(talk);
      sum.Add(talk);
    }
    each += std::string(what.name) + ": " + std::to_string(one.sum()) + "\n";
  }
  EXPECT_EQ(sum.sum(), 4097083189u) << each;
}

}  // namespace
}  // namespace witness
