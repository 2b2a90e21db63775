#include "capture/record/ask.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdio>
#include <fstream>

#include "tests/support/scripted_port.h"
#include "tests/support/temporary_path.h"
#include "tests/support/writer_fake.h"

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }
Instant At(std::int64_t ms) { return Instant() + Ms(ms); }

TEST(ExchangeCollector, SilenceEndsTheReply) {
  ExchangeCollector collector({Ms(2000), Ms(500), Ms(30'000)});
  collector.Begin(At(0), At(2), "AT", 0);
  EXPECT_EQ(collector.Deadline(), At(2002));
  EXPECT_FALSE(collector.Done(At(2001)));
  collector.OnBytes(At(100), "O", 1);
  EXPECT_EQ(collector.Deadline(), At(600));
  collector.OnBytes(At(599), "K", 2);
  EXPECT_FALSE(collector.Done(At(600)));
  EXPECT_TRUE(collector.Done(At(1099)));
  EXPECT_EQ(collector.heard().bytes(), "OK");
  EXPECT_EQ(collector.heard().end, HeardEnd::kQuiet);
}

TEST(ExchangeCollector, NothingIsToldFromAnEndedReply) {
  ExchangeCollector collector({Ms(2000), Ms(500), Ms(30'000)});
  collector.Begin(At(0), At(2), "AT", 0);
  EXPECT_TRUE(collector.Done(At(2002)));
  EXPECT_EQ(collector.heard().end, HeardEnd::kNothing);
}

TEST(ExchangeCollector, LineThatNeverFallsSilentIsLeftInTheEnd) {
  ExchangeCollector collector({Ms(2000), Ms(500), Ms(3000)});
  collector.Begin(At(0), At(0), "AT", 0);
  int t = 0;
  for (; !collector.Done(At(t)); t += 100) collector.OnBytes(At(t), "x", 0);
  EXPECT_EQ(t, 3000);
  EXPECT_EQ(collector.heard().end, HeardEnd::kTooLong);
}

TEST(ExchangeCollector, EchoIsNoReplyAndDoesNotShortenTheWait) {
  ExchangeCollector collector({Ms(2000), Ms(50), Ms(30'000)});
  collector.Begin(At(0), At(200), "a long command", 0);
  collector.OnBytes(At(10), "a", 1);
  EXPECT_EQ(collector.Deadline(), At(2200));
  collector.OnBytes(At(300), " long command", 2);
  EXPECT_EQ(collector.Deadline(), At(2300)) << "the reply may still come";
  collector.OnBytes(At(400), "OK", 3);
  EXPECT_EQ(collector.Deadline(), At(450)) << "now silence ends it";
}

TEST(ExchangeCollector, ListensForAtLeastSoLong) {
  ExchangeCollector collector({Ms(2000), Ms(50), Ms(30'000), Ms(700)});
  collector.Begin(At(0), At(0), "AT", 0);
  collector.OnBytes(At(10), "+JOIN: 3", 1);
  EXPECT_EQ(collector.Deadline(), At(700));
  collector.OnBytes(At(690), "OK", 2);
  EXPECT_EQ(collector.Deadline(), At(740));
}

// A module that answers "AT" + CR after 20 ms, in two pieces.
class AskTest : public ::testing::Test {
 protected:
  AskTest() : driver_(clock_), port_(clock_, "module") {
    recorder_ = std::make_unique<Recorder>(driver_, writer_, clock_.Now());
    port_.on_written = [this](Instant at, ByteView bytes) {
      taken_ += bytes;
      if (!taken_.ends_with('\r')) return;
      if (taken_ == "AT\r") {
        port_.Say(at + Ms(20), "O");
        port_.Say(at + Ms(55), "K");
      }
      taken_.clear();
    };
    conversation_ = TalkThrough(driver_, *recorder_, port_, LineSettings());
  }
  Status Run(AskPlan plan) {
    return Ask(*conversation_, plan, [this](const Asked& asked) { asked_.push_back(asked); });
  }

  FakeClock clock_;
  VirtualDriver driver_;
  WriterFake writer_;
  ScriptedPort port_;
  Bytes taken_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Conversation> conversation_;
  std::vector<Asked> asked_;
};

TEST_F(AskTest, EachCommandGetsItsEndingAndItsAnswer) {
  AskPlan plan;
  plan.commands = {"AT", "HUH"};
  plan.ending = "\r";
  ASSERT_TRUE(Run(plan).ok());
  ASSERT_EQ(asked_.size(), 2u);
  EXPECT_EQ(asked_[0].heard.sent, "AT\r");
  EXPECT_EQ(asked_[0].heard.bytes(), "OK");
  ASSERT_EQ(asked_[0].heard.pieces.size(), 2u);
  EXPECT_EQ(asked_[0].heard.pieces[1].at - asked_[0].heard.pieces[0].at, Ms(35));
  EXPECT_TRUE(asked_[1].heard.nothing());
  EXPECT_EQ(writer_.BytesOf(Side::kHost), "AT\rHUH\r");
  EXPECT_EQ(writer_.BytesOf(Side::kModule), "OK");
  const std::uint64_t event = asked_[0].heard.pieces[1].event;
  EXPECT_EQ(writer_.kept[event].bytes, "K") << "evidence must lead to its event";
  EXPECT_EQ(writer_.kept[asked_[1].heard.sent_event].bytes, "HUH\r");
}

TEST_F(AskTest, WhatCameBeforeTheCommandIsNoAnswer) {
  port_.Say(At(0), "+JOIN: 3\r\n");
  AskPlan plan;
  plan.commands = {"AT"};
  plan.ending = "\r";
  ASSERT_TRUE(Run(plan).ok());
  EXPECT_EQ(asked_[0].heard.bytes(), "OK");
  EXPECT_EQ(writer_.BytesOf(Side::kModule), "+JOIN: 3\r\nOK") << "but it is recorded";
}

TEST_F(AskTest, ListIsAskedSeveralTimesWithSilenceBetween) {
  AskPlan plan;
  plan.commands = {"AT"};
  plan.ending = "\r";
  plan.times = 3;
  plan.between = Ms(1000);
  ASSERT_TRUE(Run(plan).ok());
  ASSERT_EQ(asked_.size(), 3u);
  EXPECT_EQ(asked_[2].round, 2);
  EXPECT_GE(asked_[1].heard.sent_at - asked_[0].heard.pieces.back().at, Ms(1000));
}

TEST_F(AskTest, InterruptEndsWithWhatWasHeardRecorded) {
  AskPlan plan;
  plan.commands = {"AT", "AT"};
  plan.ending = "\r";
  driver_.InterruptAt(At(30));
  EXPECT_EQ(Run(plan).code(), Code::kInterrupted);
  EXPECT_TRUE(asked_.empty());
  EXPECT_EQ(writer_.BytesOf(Side::kModule), "O");
  EXPECT_EQ(conversation_->Exchange("x", {}).status().code(), Code::kInterrupted);
}

TEST_F(AskTest, PortGoneInTheMiddleSaysSo) {
  AskPlan plan;
  plan.commands = {"AT"};
  plan.ending = "\r";
  port_.Unplug(At(40));
  const Status status = Run(plan);
  EXPECT_EQ(status.code(), Code::kDisconnected);
  EXPECT_THAT(status.message(), HasSubstr("module"));
  EXPECT_EQ(writer_.kept.back().event.kind, EventKind::kGap);
}

TEST_F(AskTest, ResetLineIsPulsedAndTheBannerIsHeard) {
  std::vector<std::pair<std::uint32_t, std::uint32_t>> lines;
  port_.on_lines = [&](Instant at, std::uint32_t mask, std::uint32_t asserted) {
    lines.emplace_back(mask, asserted);
    if (asserted) port_.Say(at + Ms(300), "ready\r\n");
  };
  AskPlan plan;
  plan.commands = {"AT"};
  plan.ending = "\r";
  plan.reset_line = kDtr;
  ASSERT_TRUE(Run(plan).ok());
  EXPECT_THAT(lines, ElementsAre(std::pair(kDtr, 0u), std::pair(kDtr, kDtr)));
  ASSERT_EQ(asked_.size(), 2u);
  EXPECT_TRUE(asked_[0].banner);
  EXPECT_EQ(asked_[0].heard.bytes(), "ready\r\n");
}

TEST(ReadCommands, EscapesAndListFiles) {
  const std::string path = TemporaryPath("commands");
  std::ofstream(path) << "# a list\nAT+FW?\r\n\nAT\\x21\n";
  const auto commands = ReadCommands({"AT\\r", "@" + path});
  ASSERT_TRUE(commands.ok()) << commands.status().message();
  EXPECT_THAT(*commands, ElementsAre("AT\r", "AT+FW?", "AT!"));
  std::ofstream(path) << "AT\nAT\\q\n";
  const auto wrong = ReadCommands({"@" + path});
  ASSERT_FALSE(wrong.ok());
  EXPECT_THAT(wrong.status().message(), HasSubstr(path + ":2"));
  std::remove(path.c_str());
  EXPECT_EQ(ReadCommands({"@" + path}).status().code(), Code::kNotFound);
}

}  // namespace
}  // namespace witness
