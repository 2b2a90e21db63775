#include "capture/examine/mixed_echo.h"

#include <gtest/gtest.h>

#include "tests/support/talk.h"

namespace witness {
namespace {

using test::Outline;
using test::Segments;
using test::Talk;

constexpr Duration kLate = Duration::Milliseconds(2);

// All stamped alike.
StampedBytes At(Bytes bytes, double ms) {
  StampedBytes out;
  out.at.assign(bytes.size(), Instant::FromNanoseconds(static_cast<std::int64_t>(ms * 1e6)));
  out.bytes = std::move(bytes);
  return out;
}

std::vector<std::size_t> PlacesOf(const std::optional<MixedEcho>& echo) {
  return echo ? echo->at : std::vector<std::size_t>();
}

TEST(MixedEcho, StandsByteByByteBetweenThoseOfTheAnswer) {
  const auto echo =
      FindMixedEcho(At("\r\nseAdTg+eI Dr?a\rdio\r\n", 5), 0, At("AT+ID?\r", 1), kLate);
  EXPECT_EQ(PlacesOf(echo), (std::vector<std::size_t>{4, 6, 8, 10, 12, 14, 16}));
  for (std::size_t k = 0; k < echo->sure.size(); ++k) EXPECT_TRUE(echo->sure[k]) << k;
}

TEST(MixedEcho, IsUnsureWhereTheAnswerHasTheSameByteNextToIt) {
  // The last byte may be the first or the second of "??".
  const auto echo = FindMixedEcho(At("xAxTx+xIx??", 5), 0, At("AT+I?", 1), kLate);
  ASSERT_TRUE(echo.has_value());
  EXPECT_TRUE(echo->sure[3]);
  EXPECT_EQ(echo->at[4], 9u);
  const auto other = FindMixedEcho(At("xAxTx+xI?x?", 5), 0, At("AT+I?", 1), kLate);
  ASSERT_TRUE(other.has_value());
  EXPECT_FALSE(other->sure[4]);
}

TEST(MixedEcho, IsNotMadeOfBytesThatStandThereByChance) {
  EXPECT_FALSE(FindMixedEcho(At("A long line of Text, + more of it, Is there? yes\r\n", 5), 0,
                             At("AT+I?\r", 1), kLate));
  EXPECT_FALSE(FindMixedEcho(At("nothing of it\r\n", 5), 0, At("AT+ID?\r", 1), kLate));
}

TEST(MixedEcho, DoesNotComeBeforeItsCommand) {
  EXPECT_FALSE(FindMixedEcho(At("seAdTg+eI Dr?a\r", 5), 0, At("AT+ID?\r", 50), kLate));
}

TEST(MixedEcho, OfTypedKeysComesSoonBehindEach) {
  StampedBytes command, said;
  const auto say = [](StampedBytes& to, double ms, ByteView bytes) {
    to.bytes += bytes;
    to.at.resize(to.bytes.size(), Instant::FromNanoseconds(static_cast<std::int64_t>(ms * 1e6)));
  };
  for (int k = 0; k < 5; ++k) {
    say(command, 100 * k, ByteView("stop\r").substr(static_cast<std::size_t>(k), 1));
    say(said, 100 * k + 20, "12 spots\r\n");
    say(said, 100 * k + 40, ByteView("stop\r").substr(static_cast<std::size_t>(k), 1));
  }
  EXPECT_EQ(PlacesOf(FindMixedEcho(said, 0, command, kLate)),
            (std::vector<std::size_t>{10, 21, 32, 43, 54}));
}

// A talk in which the module gives back what it is told.
Talk EchoingTalk() {
  Talk talk;
  for (int i = 0; i < 6; ++i)
    talk.Host(1000 * i, "AT+FW?\r")
        .Module(1000 * i + 10, "AT+FW?\r")
        .Module(1000 * i + 30, "\r\nsedge 1.8\r\n\r\nOK\r\n");
  return talk;
}

TEST(Segmenter, EchoBetweenTheBytesOfTheAnswerBeforeIsTakenApart) {
  Talk talk = EchoingTalk();
  talk.Host(6000, "AT+FW?\r").Module(6010, "AT+FW?\r\r\nse");
  talk.Host(6011, "ATI\r");
  talk.Module(6020, "dAgTeI \r1.8\r\n\r\nOK\r\n");
  talk.Module(6040, "\r\nsedge\r\n\r\nOK\r\n");
  SegmenterOptions options;
  options.character_time = Duration::Microseconds(1042);
  const std::string all = Outline(Segments(talk.events(), options));
  const std::string expected =
      "command AT+FW?\\r | echo AT+FW?\\r | reply \\r\\nsed | command ATI\\r | echo A | reply g | "
      "echo T | reply e | echo I | reply   | echo \\r | reply 1.8\\r\\n\\r\\nOK\\r\\n | "
      "reply \\r\\nsedge\\r\\n\\r\\nOK\\r\\n";
  EXPECT_TRUE(all.ends_with(expected)) << all;
}

TEST(Segmenter, WhereNobodyCanTellWhetherAnEchoIsMixedInItIsUnsure) {
  Talk talk = EchoingTalk();
  talk.Host(6000, "AT+FW?\r").Module(6010, "AT+FW?\r\r\nse");
  talk.Host(6011, "ATI\r");
  talk.Module(6020, "dge AT 1.8 III \r\n\r\nOK\r\n");
  const auto segments = Segments(talk.events());
  EXPECT_EQ(segments.back().sure, Sureness::kUnsure) << Outline(segments);
}

}  // namespace
}  // namespace witness
