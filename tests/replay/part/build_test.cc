// Parts made of what a segmenter found in a capture.
#include "replay/part/build.h"

#include <gtest/gtest.h>

#include "replay/part/cue.h"

namespace trial {
namespace {

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

witness::Segment Said(witness::Side side, const Bytes& bytes, Instant at) {
  witness::Segment segment;
  segment.side = side;
  segment.from = segment.to = at;
  segment.bytes = bytes;
  return segment;
}

witness::WholeConversation Asked(const std::vector<std::pair<Bytes, Bytes>>& exchanges) {
  witness::WholeConversation whole;
  Instant now;
  for (const auto& [command, reply] : exchanges) {
    witness::Exchange exchange;
    exchange.command = Said(witness::Side::kHost, command, now);
    exchange.turnaround = Ms(400);
    exchange.replies = {Said(witness::Side::kModule, reply, now + Ms(400))};
    now = now + Ms(1000);
    whole.exchanges.push_back(exchange);
  }
  return whole;
}

Part Built(const std::vector<std::pair<Bytes, Bytes>>& exchanges) {
  const auto built = BuildPart(Asked(exchanges), {}, witness::Side::kModule);
  EXPECT_TRUE(built.ok()) << built.status().message();
  return built.ok() ? built->part : Part{};
}

bool Knows(const Part& part, const Bytes& command) {
  for (const Rule& rule : part.rules)
    if (CompiledCue(rule.cue).Matches(command)) return true;
  return false;
}

TEST(BuildPart, WhereOnlyBareCommandsWereAnsweredAnEndingIsAPartOfTheCommand) {
  const Part part = Built({{"AT", "OK"}, {"AT+FW?", "OKsedge-a 1.8"}});
  ASSERT_TRUE(part.command_end.silence.has_value());
  EXPECT_TRUE(Knows(part, "AT+FW?"));
  EXPECT_FALSE(Knows(part, "AT+FW?\r\n"));
  // The text is known all the same, so that the ending can be named as what is wrong.
  EXPECT_TRUE(KnowsText(part, "AT+FW?\r\n"));
}

TEST(BuildPart, WhereCommandsHadEndingsTheyAreLookedUpWithout) {
  const Part part = Built({{"AT\r\n", "\r\nOK\r\n"}, {"AT+FW?", "OK"}});
  EXPECT_TRUE(Knows(part, "AT\r\n"));
  EXPECT_TRUE(Knows(part, "AT"));
  EXPECT_EQ(part.command_end.terminators, std::vector<Bytes>{"\r\n"});
}

TEST(BuildPart, ACommandMetAgainGetsItsNextAnswer) {
  const Part part = Built({{"AT\r", "1"}, {"AT\r", "2"}});
  ASSERT_EQ(part.rules.size(), 1u);
  ASSERT_EQ(part.rules[0].answers.size(), 2u);
  EXPECT_EQ(part.rules[0].answers[1].turn, 2u);
}

TEST(BuildPart, WhatTheModuleSaysToTheUnknownIsItsRecordedNo) {
  const Part with = Built({{"AT\r", "OK\r\n"}, {"XY\r", "ERROR\r\n"}});
  ASSERT_TRUE(with.unknown.has_value());
  EXPECT_EQ(JoinPieces(with.unknown->pieces), "ERROR\r\n");
  EXPECT_FALSE(Built({{"AT\r", "OK\r\n"}}).unknown.has_value());
}

}  // namespace
}  // namespace trial
