#include "capture/record/survey.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "capture/base/text.h"
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

TEST(Survey, NoForbiddenCommandIsEverSentWithoutTheFlag) {
  const std::vector<Bytes> bodies = {"AT+CHAN=11", "AT+KEY=hush", "ATZ",      "AT&F",  "AT+FW?",
                                     "AT+RESET",   "AT+BAUD=4",   "ATE0",     "AT&W",  "AT+CHAN=?",
                                     "ATD5551234", "AT+SIGNAL?",  "at+pow=2", "ERASE", "+++"};
  const std::vector<std::string> marks = {"", "", "", "set", "store", "reset", "delete", "rate"};
  int withheld = 0;
  for (unsigned seed = 1; seed <= 40; ++seed) {
    std::mt19937 random(seed);
    SurveyPlan plan = DemoPlan();
    plan.line_is_known = true;
    plan.repeats = 2;
    plan.listen = Ms(100);
    plan.reset_line.reset();
    plan.commands.clear();
    for (int i = 0; i < 8; ++i)
      plan.commands.push_back(
          {bodies[random() % bodies.size()] + std::to_string(i), marks[random() % marks.size()]});
    const Surveyed surveyed = Survey(SedgeB(), plan, seed);
    ASSERT_TRUE(surveyed.status.ok());
    for (const SurveyCommand& command : plan.commands) {
      if (command.change.empty() && !LooksLikeChange(command.text)) {
        EXPECT_THAT(surveyed.sent, HasSubstr(command.text));
        continue;
      }
      ++withheld;
      EXPECT_EQ(surveyed.sent.find(command.text), Bytes::npos)
          << "seed " << seed << " sent " << command.text;
    }
  }
  EXPECT_GT(withheld, 100) << "the lists must hold something to withhold";
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
  const Status status = RunSurvey(*talk, plan, profile, [](const std::string&) {});
  EXPECT_EQ(status.code(), Code::kInterrupted);
  EXPECT_EQ(profile.line.baud, 9600u);
  EXPECT_FALSE(writer.kept.empty());
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
