// A whole trial of a sketch: repeatable to the cycle, and what the observers say of it.
#include "replay/subject/sketch/session.h"

#include <gtest/gtest.h>

#include <cstdio>
#include <functional>

#include "replay/part/part_text.h"
#include "replay/subject/sketch_job.h"
#include "replay/subject/sketch_settings.h"
#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

Part Module() {
  auto part = ParsePart(R"(
    command_end { terminator: "\r\n" }
    rule { command: "AT" answer { piece { after: "15ms" say: "\r\nOK\r\n" } } }
    rule { command: "AT+FW?"
           answer { piece { after: "15ms" say: "\r\n+FW: sedge-b 1.8\r\n\r\nOK\r\n" } } }
    rule { command: "AT+SIGNAL?"
           answer { piece { after: "15ms" say: "\r\n+SIGNAL: -71\r\n\r\nOK\r\n" } } })");
  EXPECT_TRUE(part.ok()) << part.status().message();
  return *part;
}

// All that was observed, with every byte's and pin's time.
Bytes RunOnce(const std::string& elf, const Part& part, std::size_t commands = 3) {
  auto image = ReadElf(SketchElf(elf));
  EXPECT_TRUE(image.ok());
  SketchSettings settings;
  settings.elf = SketchElf(elf);
  settings.module = *ParseSketchPlace("pins:rx=10,tx=11");
  settings.watch_pins = {"11"};
  auto session = SketchSession::Create(*image, settings, 9600);
  EXPECT_TRUE(session.ok());
  (*session)->Boot();
  RunLimits limits;
  limits.expected_commands = commands;
  return SerializeSketchAnswer((*session)->Run(part, limits));
}

TEST(SketchSession, SameTrialIsTheSameToTheCycle) {
  Part part = Module();
  part.waveform.jitter_percent = 10;
  const Bytes once = RunOnce("watch", part);
  ASSERT_GT(once.size(), 2000u);  // pins, bytes and all
  EXPECT_EQ(RunOnce("watch", part), once);
  // Behind and beside another one.
  RunOnce("watch_lf", part);
  Bench bench("busy");
  EXPECT_EQ(RunOnce("watch", part), once);
  std::printf("observations: hash %zx\n", std::hash<Bytes>()(once));
}

TEST(SketchSession, PinsAreLineEventsOfTheConversation) {
  auto answer = DeserializeSketchAnswer(RunOnce("watch", Module()));
  ASSERT_TRUE(answer.ok());
  int pins = 0;
  int notes = 0;
  for (const witness::OwnedEvent& event : answer->conversation) {
    pins += event.event.kind == witness::EventKind::kPin ? 1 : 0;
    notes += event.event.kind == witness::EventKind::kNote ? 1 : 0;
  }
  EXPECT_GT(pins, 100);  // the transmit pin is watched: every edge of three commands
  EXPECT_EQ(notes, 3);   // what it printed
  EXPECT_EQ(answer->commands.size(), 3u);
  EXPECT_EQ(answer->ending, SubjectEnding::kOver);
}

TEST(SketchSession, HangIsNamedByItsFunction) {
  Part part = Module();
  part.rules[1].answers[0].pieces.clear();
  auto answer = DeserializeSketchAnswer(RunOnce("watch_forever", part));
  ASSERT_TRUE(answer.ok());
  EXPECT_EQ(answer->ending, SubjectEnding::kHung);
  EXPECT_NE(answer->ending_words.find("hung in "), std::string::npos) << answer->ending_words;
  EXPECT_NE(answer->ending_words.find("ask()"), std::string::npos) << answer->ending_words;
}

// println() of what ask() gives back leaves its own return addresses deeper in the stack.
TEST(SketchSession, AWaitIsSaidToBeWhereItIsAndNotWhereTheStackWasUsedBefore) {
  auto part = ParsePart(R"(
    command_end { terminator: "\r" }
    rule { command: "AT" answer { piece { after: "15ms" say: "OK" } } }
    rule { command: "AT+CHAN=11" answer { piece { after: "15ms" say: "OK" } } }
    rule { command: "AT+POWER=2" answer { piece { after: "15ms" say: "OK" } } }
    rule { command: "AT+SIGNAL?" answer { piece { after: "50ms" say: "+SIGNAL: -71\r\n\r\nOK" } } })");
  ASSERT_TRUE(part.ok()) << part.status().message();
  auto answer = DeserializeSketchAnswer(RunOnce("butt_watch_waits", *part, 4));
  ASSERT_TRUE(answer.ok());
  int waits = 0;
  for (const Remark& remark : answer->remarks) {
    if (remark.kind != "wait") continue;
    ++waits;
    EXPECT_NE(remark.text.find("readStringUntil(), called from ask()"), std::string::npos)
        << remark.text;
  }
  EXPECT_GE(waits, 4);
}

}  // namespace
}  // namespace trial
