// What is printed by the clock, and what by what was replied.
#include "replay/judge/clock_lines.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "replay/judge/steadiness.h"

namespace trial {
namespace {

using testing::ElementsAre;

Instant At(int ms) { return Instant() + Duration::Milliseconds(ms); }

struct Seen {
  Observations observations;
  std::vector<OutputLine> lines;

  Seen& Says(int ms, const std::string& text) {
    lines.push_back({At(ms), false, text, text});
    observations.ended = At(ms + 1);
    return *this;
  }
  Seen& Answered(int ms) {
    observations.commands.emplace_back();
    Said said;
    said.send.command = static_cast<std::uint32_t>(observations.commands.size());
    said.sent = At(ms);
    observations.said.push_back(said);
    return *this;
  }
};

std::vector<std::string> Texts(const std::vector<OutputLine>& lines) {
  std::vector<std::string> texts;
  for (const OutputLine& line : lines) texts.push_back(line.text);
  return texts;
}

// A sign of life each second, three replies told; the second run with replies 7 ms later.
Seen First() {
  return Seen()
      .Answered(500)
      .Says(520, "signal 71")
      .Says(1000, "alive 1")
      .Answered(1500)
      .Says(1520, "signal 74")
      .Says(2000, "alive 2");
}
Seen Later() {
  return Seen()
      .Answered(507)
      .Says(527, "signal 71")
      .Says(1000, "alive 1")
      .Answered(1514)
      .Says(1534, "signal 74")
      .Says(2000, "alive 2")
      .Says(3000, "alive 3")
      .Says(4000, "alive 4")
      .Says(5000, "alive 5");
}

TEST(ClockLines, SignOfLifeIsLeftOutWhateverItsNumber) {
  const Seen first = First(), later = Later();
  const ClockLines clock(first.observations, later.observations, later.lines);
  EXPECT_THAT(Texts(clock.Without(first.lines)), ElementsAre("signal 71", "signal 74"));
  Seen longer;
  longer.Says(9000, "alive 9").Says(9500, "signal 0").Says(9600, "alive and well");
  EXPECT_THAT(Texts(clock.Without(longer.lines)), ElementsAre("signal 0", "alive and well"));
}

TEST(ClockLines, NoneWhereNothingWasAnswered) {
  Seen first, later;
  first.Says(1000, "alive 1").Says(2000, "alive 2");
  later.Says(1000, "alive 1").Says(2000, "alive 2");
  EXPECT_TRUE(ClockLines(first.observations, later.observations, later.lines).empty());
}

// A sketch that listens for a fixed time tells its reply at the same moment whenever that came:
// what it tells has to stay what it was.
TEST(ClockLines, ReplyToldAtAFixedTimeIsStillCompared) {
  const auto run = [](int shift) {
    return Seen()
        .Answered(500 + shift)
        .Says(1000, "signal -71")
        .Answered(1500 + shift)
        .Says(2000, "signal -74")
        .Answered(2500 + shift)
        .Says(3000, "signal -71");
  };
  const Seen first = run(0), later = run(7);
  const ClockLines clock(first.observations, later.observations, later.lines);
  Seen wrong;
  wrong.Says(1000, "signal 0");
  EXPECT_THAT(Texts(clock.Without(wrong.lines)), ElementsAre("signal 0"));
}

// What comes only where a reply came is told by the reply, however even its times.
TEST(ClockLines, LineForEachReplyIsCompared) {
  const auto run = [](int shift) {
    Seen seen;
    for (int i = 1; i <= 5; ++i) seen.Answered(1000 * i - 500 + shift).Says(1000 * i, "taken");
    return seen;
  };
  const Seen first = run(0), later = run(7);
  EXPECT_TRUE(ClockLines(first.observations, later.observations, later.lines).empty());
}

TEST(Steadiness, StampsOfTimeAreLooseButNoOtherWord) {
  const auto run = [](int shift) {
    return Seen()
        .Answered(500 + shift)
        .Says(520 + shift, "[" + std::to_string(520 + shift) + "] signal -71");
  };
  const Seen first = run(0), later = run(7);
  const Steadiness steadiness =
      Steadiness::ByTheClock(first.observations, first.lines, later.observations, later.lines);
  EXPECT_TRUE(
      steadiness.SameLine(0, first.lines[0], {At(0), false, "", "[900] signal -71"}, false));
  EXPECT_FALSE(steadiness.SameLine(0, first.lines[0], {At(0), false, "", "[900] signal 0"}, false));
}

// What a reply that came 7 ms later changes is the subject's fault, not its way.
TEST(Steadiness, ReplyMissedByAHairIsStillCompared) {
  const Seen first = Seen().Answered(500).Says(520, "taken 1");
  const Seen later = Seen().Answered(507).Says(527, "taken 0");
  const Steadiness steadiness =
      Steadiness::ByTheClock(first.observations, first.lines, later.observations, later.lines);
  EXPECT_FALSE(steadiness.SameLine(0, first.lines[0], later.lines[0], false));
}

}  // namespace
}  // namespace trial
