// Talk that is taken past the segmenter (plain/shortcut.h) comes to the same examination as if the
// segmenter had taken it apart: of talks of all corpora, said again and again with other numbers
// and with something in between now and then, and of the benchmarks' traffic, disturbed alike.
//
// How many seeds are tried is in BYTEWITNESS_PLAIN_SEEDS (3; 1 with sanitizers).
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <random>

#include "capture/examine/examination.h"
#include "tests/bench/traffic.h"
#include "tests/support/bench_talk.h"
#include "tests/support/drawn_talk.h"
#include "tests/support/examination_words.h"
#include "tests/support/examined.h"
#include "tests/support/field_talk.h"
#include "tests/support/hard_talk.h"
#include "tests/support/sanitized.h"
#include "tests/support/typed_talk.h"
#include "tests/support/wire_talk.h"
#include "tests/support/yard_talk.h"

namespace witness {
namespace {

using test::LabelledTalk;
using test::Words;

unsigned Seeds() {
  const char* const said = std::getenv("BYTEWITNESS_PLAIN_SEEDS");
  return said != nullptr ? static_cast<unsigned>(std::atoi(said)) : kSanitized ? 1u : 3u;
}

Bytes FileOf(const std::vector<OwnedEvent>& events, const LabelledTalk& talk) {
  CaptureInfo info;
  info.origin = Origin::kBetween;
  info.stamp_uncertainty = talk.stamp_uncertainty;
  return test::CaptureOf(events, info);
}

Examination ExaminationOf(const Bytes& file, const LabelledTalk& talk, std::size_t learn,
                          bool watched) {
  auto reader = CaptureReader::OpenMemory(file);
  EXPECT_TRUE(reader.ok());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  options.segmenter.character_time = talk.character_time;
  options.segmenter.learn_bursts = learn;
  ConversationHandlers handlers;
  if (watched) handlers.on_segment = [](const Segment&) {};  // so all has to go through
  auto out = Examine(**reader, options, handlers);
  EXPECT_TRUE(out.ok());
  return *std::move(out);
}

// Says the talk again and again, and disturbs it.
class Disturber {
 public:
  explicit Disturber(unsigned seed) : random_(seed) {}

  std::vector<OwnedEvent> Repeat(const std::vector<OwnedEvent>& talk, int times, bool digits) {
    std::vector<OwnedEvent> out;
    Duration shift;
    for (int i = 0; i < times; ++i) {
      for (OwnedEvent e : talk) {
        e.event.at = e.event.at + shift;
        if (digits && i > 0) OtherDigits(e.bytes);
        out.push_back(std::move(e));
      }
      if (!talk.empty())
        shift = out.back().event.at - Instant() + Duration::Milliseconds(Below(3000) + 1);
    }
    return out;
  }

  // About one event in `every`.
  std::vector<OwnedEvent> Disturb(std::vector<OwnedEvent> events, std::uint32_t every) {
    std::vector<OwnedEvent> out;
    Duration late;
    for (OwnedEvent& e : events) {
      e.event.at = e.event.at + late;
      if (Below(every) != 0 || e.event.kind != EventKind::kBytes) {
        out.push_back(std::move(e));
        continue;
      }
      const Duration some = Duration::Microseconds(std::int64_t{1} << Below(24));
      OwnedEvent other;
      other.event.at = out.empty() ? Instant() : out.back().event.at;
      switch (Below(12)) {
        case 0:  // lost
          continue;
        case 1:  // late, and all behind it
          late = late + some;
          e.event.at = e.event.at + some;
          break;
        case 2:  // at the moment of the one before
          if (!out.empty()) {
            late = late - (e.event.at - out.back().event.at);
            e.event.at = out.back().event.at;
          }
          break;
        case 3:
          e.event.kind = EventKind::kBadByte;
          break;
        case 4:
          other.event.kind = EventKind::kBreak;
          other.event.side = Side::kModule;
          out.push_back(other);
          break;
        case 5:
          other.event.kind = EventKind::kNote;
          other.bytes = "somebody looked";
          out.push_back(other);
          break;
        case 6:
          other.event.kind = EventKind::kLineChange;
          other.event.side = Side::kHost;
          other.event.lines = other.event.changed = 1;
          out.push_back(other);
          break;
        case 7:  // the other side speaks, at once or a while before
          other.event.side = e.event.side == Side::kHost ? Side::kModule : Side::kHost;
          other.bytes =
              Below(2) != 0 ? Bytes("+EVT: 1\r\n") : Bytes(1, static_cast<char>(Below(256)));
          out.push_back(other);
          break;
        case 8:
          if (!e.bytes.empty())
            e.bytes[Below(static_cast<std::uint32_t>(e.bytes.size()))] =
                static_cast<char>(Below(256));
          break;
        case 9:  // twice
          other = e;
          out.push_back(other);
          late = late + Duration::Microseconds(1);
          e.event.at = e.event.at + Duration::Microseconds(1);
          break;
        case 10:  // in two
          if (e.bytes.size() > 1) {
            other = e;
            other.bytes.resize(1 + Below(static_cast<std::uint32_t>(e.bytes.size()) - 1));
            e.bytes.erase(0, other.bytes.size());
            out.push_back(other);
            late = late + some;
            e.event.at = e.event.at + some;
          }
          break;
        default:  // nothing in it
          e.bytes.clear();
          break;
      }
      out.push_back(std::move(e));
    }
    return out;
  }

  std::uint32_t Below(std::uint32_t n) { return static_cast<std::uint32_t>(random_() % n); }

 private:
  void OtherDigits(Bytes& bytes) {
    for (char& c : bytes)
      if (c >= '0' && c <= '9') c = static_cast<char>('0' + Below(10));
  }

  std::mt19937_64 random_;
};

struct Taken {
  std::uint64_t events = 0, plain = 0;

  double Share() const {
    return static_cast<double>(plain) / static_cast<double>(std::max<std::uint64_t>(events, 1));
  }
};

void ExpectSame(const std::vector<OwnedEvent>& events, const LabelledTalk& talk, std::size_t learn,
                const std::string& what, Taken& taken) {
  const Bytes file = FileOf(events, talk);
  const Examination quick = ExaminationOf(file, talk, learn, false);
  const Examination slow = ExaminationOf(file, talk, learn, true);
  EXPECT_EQ(slow.plain_events, 0u);
  ASSERT_EQ(Words(quick), Words(slow)) << what;
  taken.events += quick.events;
  taken.plain += quick.plain_events;
}

void ExpectSameInAllWays(const LabelledTalk& talk, unsigned seed, const std::string& what,
                         Taken& taken) {
  Disturber disturber(seed * 7919u + 1);
  for (const bool digits : {false, true}) {
    const auto events = disturber.Repeat(talk.events, 12, digits);
    const std::size_t learn =
        8 + disturber.Below(static_cast<std::uint32_t>(talk.events.size()) * 3);
    ExpectSame(events, talk, learn, what + ", repeated", taken);
    if (::testing::Test::HasFatalFailure()) return;
    for (const std::uint32_t every : {15u, 60u}) {
      ExpectSame(disturber.Disturb(events, every), talk, learn, what + ", disturbed", taken);
      if (::testing::Test::HasFatalFailure()) return;
    }
  }
}

template <typename Maker>
void TrySorts() {
  for (const std::string& sort : Maker::Sorts()) {
    Taken taken;
    for (unsigned seed = 1; seed <= Seeds(); ++seed) {
      ExpectSameInAllWays(Maker(sort, seed).Make(), seed, sort + ", seed " + std::to_string(seed),
                          taken);
      if (::testing::Test::HasFatalFailure()) return;
    }
    if (taken.plain > 0) std::printf("%-32s %5.1f %% plain\n", sort.c_str(), 100 * taken.Share());
  }
}

TEST(Plain, BenchTalksAreExaminedTheSame) { TrySorts<test::BenchTalk>(); }
TEST(Plain, TypedTalksAreExaminedTheSame) { TrySorts<test::TypedTalk>(); }
TEST(Plain, WireTalksAreExaminedTheSame) { TrySorts<test::WireTalk>(); }
TEST(Plain, FieldTalksAreExaminedTheSame) { TrySorts<test::FieldTalk>(); }
TEST(Plain, YardTalksAreExaminedTheSame) { TrySorts<test::YardTalk>(); }
TEST(Plain, HardTalksAreExaminedTheSame) { TrySorts<test::HardTalk>(); }

TEST(Plain, DrawnTalksAreExaminedTheSame) {
  Taken taken;
  const unsigned talks = Seeds() * (kSanitized ? 15 : 30);
  for (unsigned seed = 1; seed <= talks; ++seed) {
    ExpectSameInAllWays(test::DrawnTalk(seed).Make(), seed, "drawn, seed " + std::to_string(seed),
                        taken);
    if (::testing::Test::HasFatalFailure()) return;
  }
  std::printf("drawn: %.1f %% plain\n", 100 * taken.Share());
  EXPECT_GT(taken.plain, kSanitized ? 150u : 300u);
}

// As `bytewitness examine` does it: the first few exchanges are shown.
TEST(Plain, WhoWatchesTheFirstExchangesOnlyHasTheRestTakenQuickly) {
  for (std::size_t which = 0; which < kTrafficClasses; ++which) {
    const Traffic traffic = TrafficOf(which, 12'000);
    LabelledTalk talk;
    for (const Event& event : traffic.events) talk.events.emplace_back(event);
    const Bytes file = FileOf(talk.events, talk);
    auto reader = CaptureReader::OpenMemory(file);
    ASSERT_TRUE(reader.ok());
    ExamineOptions options;
    options.segmenter.learn_bursts = 1500;
    options.exchanges_watched = 5;
    std::vector<std::uint64_t> turns;
    ConversationHandlers handlers;
    handlers.on_exchange = [&](const Exchange& e) { turns.push_back(e.command.turn); };
    const auto examination = Examine(**reader, options, handlers);
    ASSERT_TRUE(examination.ok());
    if (examination->exchanges > 0)
      EXPECT_EQ(turns, (std::vector<std::uint64_t>{1, 2, 3, 4, 5})) << traffic.name;
    else
      EXPECT_TRUE(turns.empty()) << traffic.name;
    EXPECT_GT(examination->plain_events * 10, examination->events * 8) << traffic.name;
    EXPECT_EQ(Words(*examination), Words(ExaminationOf(file, talk, 1500, true))) << traffic.name;
  }
}

TEST(Plain, TrafficOfTheBenchmarksIsExaminedTheSame) {
  for (std::size_t which = 0; which < kTrafficClasses; ++which) {
    const Traffic traffic = TrafficOf(which, 12'000);
    LabelledTalk talk;
    for (const Event& event : traffic.events) talk.events.emplace_back(event);
    Taken whole, disturbed;
    ExpectSame(talk.events, talk, 1500, traffic.name, whole);
    if (::testing::Test::HasFatalFailure()) return;
    std::printf("%-20s %5.1f %% plain\n", traffic.name.c_str(), 100 * whole.Share());
    EXPECT_GT(whole.Share(), 0.8) << traffic.name;
    for (unsigned seed = 1; seed <= Seeds(); ++seed) {
      Disturber disturber(seed);
      for (const std::uint32_t every : {40u, 400u, 3000u}) {
        const std::string name = traffic.name + ", disturbed, seed " + std::to_string(seed);
        ExpectSame(disturber.Disturb(talk.events, every), talk, 1500, name, disturbed);
        if (::testing::Test::HasFatalFailure()) return;
      }
    }
    EXPECT_GT(disturbed.Share(), 0.1) << traffic.name;
    EXPECT_LT(disturbed.Share(), whole.Share()) << traffic.name;
  }
}

// What the first answer to a command was is remembered of few commands at a time.
TEST(Plain, HalfAnswersToManyCommandsOfBytesAreFoundTheSame) {
  std::mt19937 random(21);
  for (const std::size_t commands : {6u, 60u, 400u}) {
    std::vector<std::pair<Bytes, Bytes>> all;  // with their answers
    for (std::size_t i = 0; i < commands; ++i) {
      Bytes command = {'\x02', static_cast<char>(0x80 + i % 100), static_cast<char>(i / 100),
                       '\x8f'};
      Bytes answer = {'\x06'};
      for (std::size_t k = 0; k < 3 + i % 9; ++k)
        answer += static_cast<char>(0x80 + random() % 0x60);
      all.emplace_back(std::move(command), std::move(answer));
    }
    LabelledTalk talk;
    auto say = [&talk, at = std::int64_t{0}](Side side, Bytes bytes, std::int64_t wait) mutable {
      OwnedEvent event;
      event.event.at = Instant::FromNanoseconds(at += wait);
      event.event.side = side;
      event.bytes = std::move(bytes);
      talk.events.push_back(std::move(event));
    };
    for (int i = 0; i < 4000; ++i) {
      const auto& [command, answer] = all[random() % all.size()];
      const bool half = i > 1000 && random() % 40 == 0;
      const std::int64_t more = static_cast<std::int64_t>(random() % 1'000'000);
      say(Side::kHost, command, 50'000'000 + more);
      say(Side::kModule, half ? answer.substr(0, answer.size() * 2 / 3) : answer, 4'000'000 + more);
    }
    Taken taken;
    ExpectSame(talk.events, talk, 600, std::to_string(commands) + " commands", taken);
    EXPECT_GT(taken.Share(), 0.8) << commands;
    const Examination quick = ExaminationOf(FileOf(talk.events, talk), talk, 600, false);
    const auto half = std::find_if(quick.findings.begin(), quick.findings.end(),
                                   [](const Finding& f) { return f.name == "half-answer"; });
    ASSERT_NE(half, quick.findings.end()) << commands;
    EXPECT_GT(half->count, 30u) << commands;
  }
}

}  // namespace
}  // namespace witness
