#include "capture/record/survey.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "capture/base/text.h"
#include "capture/record/survey_heard.h"
#include "tests/support/survey_check.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

TEST(Survey, SaysWhatToCheckWhenNothingAnswers) {
  SurveyPlan plan = DemoPlan();
  plan.formats = {"8N1"};
  ModuleSpec spec;
  spec.banner = "";
  spec.mode = ModuleSpec::Mode::kDeaf;
  EXPECT_EQ(Survey(spec, plan).profile.state, ModuleState::kSilent);
  EXPECT_FALSE(Survey(spec, plan).profile.check.empty());
  spec.mode = ModuleSpec::Mode::kDataSession;
  const Profile session = Survey(spec, plan).profile;
  EXPECT_EQ(session.state, ModuleState::kAllComesBack);
  EXPECT_THAT(session.check.front(), HasSubstr("session"));
  spec.mode = ModuleSpec::Mode::kTalker;
  spec.unasked_every = Ms(700);
  spec.unasked = "fen 51.20 north\r\n";
  EXPECT_EQ(Survey(spec, plan).profile.state, ModuleState::kTalksOnly);
}

TEST(Survey, WrongRateIsRubbishInTheModelToo) {
  // 9600 baud heard at 115200: one start bit of the slow line is 12 bit times of the fast one, so
  // every "bit" is several; nothing like the text comes out.
  LineSettings slow;
  LineSettings fast;
  fast.baud = 115200;
  Bytes heard;
  for (const ReceivedByte& one : Waveform(Instant(), "OK\r\n", slow).Receive(fast))
    heard += one.byte;
  EXPECT_THAT(heard, ::testing::Not(HasSubstr("OK")));
  Bytes right;
  for (const ReceivedByte& one : Waveform(Instant(), "OK\r\n", slow).Receive(slow))
    right += one.byte;
  EXPECT_EQ(right, "OK\r\n");
}

// What acts, by V.250 or by its name, in whatever guise it stands in a list.
TEST(SurveyList, WhatActsLooksLikeAChange) {
  for (const char* text : {"ATZ",
                           "at&f",
                           "AT&W0",
                           "ATE0",
                           "ATD5551234",
                           "ATA",
                           "ATH",
                           "A/",
                           "+++",
                           "AT+CHAN=11",
                           "at+key=hush",
                           "AT+RESET",
                           "AT+FW?;+RST",
                           "ATI;Z",
                           "ATI0Z",
                           " A T Z",
                           "AT+FW?\rATZ",
                           "AT+FW?\r\nAT+CHAN=11",
                           "ATS0=1",
                           "ATV0",
                           "ATQ1",
                           "ERASE",
                           "factory reset",
                           "save",
                           "AT+CHAN=?;+CHAN=1",
                           "AT+X=1?",
                           "AT+FW?\x1a",
                           "\x03",
                           "ATD1?",
                           "AT+BAUD=4\r"})
    EXPECT_TRUE(LooksLikeChange(text)) << text;
  for (const char* text :
       {"AT", "ATI", "ATI3", "AT+FW?", "at+chan?", "AT+CHAN=?", "ATS3?", "AT+GMI", "AT+FW?;+CHAN?",
        "AT+RESET?", "*IDN?", "ver", "AT+FW?\r", "##JGU?"})
    EXPECT_FALSE(LooksLikeChange(text)) << text;
}

TEST(Survey, ChangesAreMadeOnceAndLastWithTheFlag) {
  SurveyPlan plan = DemoPlan();
  plan.line_is_known = true;
  plan.allow_changes = true;
  plan.commands = {{"AT+BAUD=4", "rate"}, {"AT+CHAN=11", "set"}, {"AT+FW?", ""}};
  const Surveyed surveyed = Survey(SedgeB(), plan);
  const std::size_t query = surveyed.sent.rfind("AT+FW?");
  const std::size_t set = surveyed.sent.find("AT+CHAN=11");
  const std::size_t rate = surveyed.sent.find("AT+BAUD=4");
  ASSERT_NE(set, Bytes::npos);
  ASSERT_NE(rate, Bytes::npos);
  EXPECT_LT(query, set);
  EXPECT_LT(set, rate);
  EXPECT_EQ(surveyed.sent.find("AT+BAUD=4", rate + 1), Bytes::npos);
}

TEST(Survey, InterruptKeepsWhatWasFound) {
  FakeClock clock;
  VirtualDriver driver(clock);
  WriterFake writer;
  ScriptedPort port(clock);
  ModuleModel module(clock, driver, port, SedgeB(), 1);
  Recorder recorder(driver, writer, clock.Now());
  SurveyPlan plan = DemoPlan();
  plan.reset_line.reset();
  const auto talk = TalkThrough(driver, recorder, port, plan.line);
  driver.InterruptAt(Instant() + Duration::Seconds(40));
  Profile profile;
  const Status status = RunSurvey(*talk, plan, profile, [](const SurveyProgress&) {});
  EXPECT_EQ(status.code(), Code::kInterrupted);
  EXPECT_EQ(profile.line.baud, 9600u);
  EXPECT_FALSE(writer.kept.empty());
}

TEST(Survey, InterruptAtAnyTimeIsAnInterrupt) {
  for (int at = 0; at < 200'000; at += 1370) {
    FakeClock clock;
    VirtualDriver driver(clock);
    WriterFake writer;
    ScriptedPort port(clock);
    ModuleModel module(clock, driver, port, SedgeC(), 1);
    Recorder recorder(driver, writer, clock.Now());
    const SurveyPlan plan = DemoPlan();
    const auto talk = TalkThrough(driver, recorder, port, plan.line);
    driver.InterruptAt(Instant() + Ms(at));
    Profile profile;
    const Status status = RunSurvey(*talk, plan, profile, [](const SurveyProgress&) {});
    ASSERT_TRUE(status.ok() || status.code() == Code::kInterrupted)
        << at << ": " << status.message();
    ASSERT_TRUE(recorder.Close().ok());
    EXPECT_TRUE(writer.closed);
    EXPECT_FALSE(Summary(profile).empty());
    EXPECT_FALSE(Advice(profile).empty());
    EXPECT_TRUE(ReadProfile(WriteProfile(profile)).ok()) << at;
  }
}

TEST(Survey, APortWithoutARateGetsNoRate) {
  SurveyPlan plan = DemoPlan();
  plan.line_is_known = true;
  plan.line.baud = 0;
  FakeClock clock;
  VirtualDriver driver(clock);
  WriterFake writer;
  ScriptedPort port(clock);
  // What is sent is there at once, and so is the answer after 20 ms.
  Bytes taken;
  port.on_written = [&](Instant at, ByteView bytes) {
    taken += bytes;
    if (!taken.ends_with('\r')) return;
    port.Say(at + Ms(20), taken == "AT\r" ? "OK\r\n" : "ERROR\r\n");
    taken.clear();
  };
  Recorder recorder(driver, writer, clock.Now());
  const auto talk = TalkThrough(driver, recorder, port, plan.line);
  Profile profile;
  plan.commands = {{"AT", ""}};
  ASSERT_TRUE(RunSurvey(*talk, plan, profile, [](const SurveyProgress&) {}).ok());
  EXPECT_EQ(profile.state, ModuleState::kAnswers);
  EXPECT_EQ(profile.line.baud, 0u);
  EXPECT_EQ(profile.line_basis.sure, Found::kNotTried);
  ASSERT_EQ(profile.replies.size(), 1u);
  for (const Duration turnaround : profile.replies[0].turnarounds) EXPECT_EQ(turnaround, Ms(20));
  EXPECT_THAT(Summary(profile)[0], HasSubstr("not known"));
  EXPECT_THAT(Advice(profile)[0], HasSubstr("not known"));
}

TEST(Survey, LongestCommandIsFoundIfAskedFor) {
  SurveyPlan plan = DemoPlan();
  plan.line_is_known = true;
  plan.find_longest = true;
  ModuleSpec spec = SedgeB();
  spec.longest = 77;
  EXPECT_EQ(Survey(spec, plan).profile.longest_command, 77u);
}

TEST(SurveyList, MarksAndEscapes) {
  const auto list = ReadSurveyList("# demo\nAT+FW?\n!set AT+CHAN=11\r\n\nAT\\x21\n");
  ASSERT_TRUE(list.ok()) << list.status().message();
  ASSERT_EQ(list->size(), 3u);
  EXPECT_EQ((*list)[1].text, "AT+CHAN=11");
  EXPECT_EQ((*list)[1].change, "set");
  EXPECT_EQ((*list)[2].text, "AT!");
  EXPECT_THAT(ReadSurveyList("AT\n!wipe AT\n").status().message(), HasSubstr("line 2"));
  EXPECT_FALSE(ReadSurveyList("# nothing\n").ok());
}

TEST(SurveyList, BuiltInCommandsOnlyAsk) {
  for (const SurveyCommand& command : BuiltInCommands())
    EXPECT_TRUE(MaySend(command, SurveyPlan())) << command.text;
}

}  // namespace
}  // namespace witness
