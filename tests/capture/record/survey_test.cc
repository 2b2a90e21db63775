#include "capture/record/survey.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cctype>
#include <random>
#include <sstream>

#include "capture/base/text.h"
#include "capture/record/survey_heard.h"
#include "tests/support/survey_check.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Bytes Upper(Bytes text) {
  for (char& c : text) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return text;
}

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
        "AT+RESET?", "*IDN?", "ver", "AT+FW?\r", "##ZZQ?"})
    EXPECT_FALSE(LooksLikeChange(text)) << text;
}

// Random lists: bodies that act and that ask, in other letters, with endings, spaces and company,
// marked and unmarked. What the module took counts, not only what was sent: a probe that was left
// in its buffer may make another command of the next.
TEST(Survey, NoForbiddenCommandIsEverSentWithoutTheFlag) {
  const std::vector<Bytes> acting = {"AT+CHAN=11", "AT+KEY=hush", "ATZ",  "AT&F",  "AT+RESET",
                                     "AT+BAUD=4",  "ATE0",        "AT&W", "ERASE", "ATD5551234",
                                     "at+pow=2",   "+++",         "ATH"};
  const std::vector<Bytes> asking = {"AT+FW?", "AT+CHAN?",  "AT+SIGNAL?",
                                     "ATI",    "AT+CHAN=?", "*IDN?"};
  const std::vector<std::string> marks = {"", "", "", "set", "store", "reset", "delete", "rate"};
  int withheld = 0;
  int sent = 0;
  for (unsigned seed = 1; seed <= 120; ++seed) {
    std::mt19937 random(seed);
    const auto of = [&](const auto& all) { return all[random() % all.size()]; };
    const auto disguise = [&](Bytes text) {
      switch (random() % 5) {
        case 0:
          return Lower(text);
        case 1:
          return text + of(std::vector<Bytes>{"\r", "\n", "\r\n"});
        case 2:
          return of(asking) + of(std::vector<Bytes>{";", "\r", "\r\n"}) + text;
        case 3:
          return text + "\r" + of(asking);
        default:
          return text;
      }
    };
    SurveyPlan plan = DemoPlan();
    plan.line_is_known = true;
    plan.repeats = 2;
    plan.listen = Ms(100);
    plan.reset_line.reset();
    plan.find_longest = random() % 3 == 0;
    plan.query = random() % 3 == 0 ? "AT+FW?" : "AT";
    plan.commands.clear();
    std::vector<bool> acts;
    for (int i = 0; i < 8; ++i) {
      acts.push_back(random() % 2);
      plan.commands.push_back({acts.back() ? disguise(of(acting)) : of(asking), of(marks)});
    }
    const ModuleSpec spec = seed % 4 == 0   ? SedgeA()
                            : seed % 4 == 1 ? SedgeB()
                            : seed % 4 == 2 ? SedgeC()
                                            : Strange(seed);
    plan.line = spec.line;
    const Surveyed surveyed = Survey(spec, plan, seed);
    ASSERT_TRUE(surveyed.status.ok()) << surveyed.status.message();
    for (std::size_t i = 0; i < plan.commands.size(); ++i) {
      const SurveyCommand& command = plan.commands[i];
      if (!acts[i]) {
        sent += command.change.empty() && surveyed.sent.find(command.text) != Bytes::npos;
        continue;
      }
      ++withheld;
      EXPECT_EQ(surveyed.sent.find(command.text), Bytes::npos)
          << "seed " << seed << " sent " << SafeText(command.text);
    }
    std::istringstream taken(surveyed.taken);
    for (std::string line; std::getline(taken, line);) {
      // The query itself, several times in one, comes from trying it with endings that are none.
      for (std::size_t at = line.find(plan.query); at != line.npos; at = line.find(plan.query))
        line.erase(at, plan.query.size());
      EXPECT_FALSE(LooksLikeChange(line)) << "seed " << seed << " took " << SafeText(line);
    }
  }
  EXPECT_GT(withheld, 300) << "the lists must hold something to withhold";
  EXPECT_GT(sent, 100) << "and something to send";
}

// A module that keeps what it could not take, under each rule of what ends a command and of what
// becomes of the other control characters: what it takes, alone or joined with what was left, must
// not act. "ATAT" would let a modem answer a call (ITU-T V.250 (07/2003), command A; from memory).
TEST(Survey, NothingThatStaysInAModulesBufferMakesACommandThatActs) {
  ASSERT_TRUE(LooksLikeChange("ATAT"));
  ASSERT_TRUE(LooksLikeChange("ATIAT"));
  const std::vector<std::vector<Bytes>> terminators = {{"\r"},       {"\n"}, {"\r\n"},
                                                       {"\r", "\n"}, {";"},  {"\x03"}};
  std::size_t taken_in_all = 0;
  unsigned seed = 0;
  const auto check = [&](const ModuleSpec& spec, bool line_is_known) {
    SurveyPlan plan = DemoPlan();
    plan.commands = {{"ATI", ""}, {"AT+FW?", ""}};
    plan.repeats = 2;
    plan.listen = Ms(100);
    plan.reset_line.reset();
    plan.line_is_known = line_is_known;
    plan.line = line_is_known ? spec.line : LineSettings();
    plan.bauds = {9600, 19200};
    const Surveyed surveyed = Survey(spec, plan, ++seed);
    ASSERT_TRUE(surveyed.status.ok()) << surveyed.status.message();
    std::string line;
    for (const char c : surveyed.taken) {
      // Control characters that a module drops join what stands around them; '\n' parts commands
      // in the model's list, and may be one of them.
      if (c != '\n') {
        if (c < 0 || c >= ' ') line += c;
        continue;
      }
      ++taken_in_all;
      // A modem looks for "AT", and carries nothing out behind its first error.
      const std::size_t at = Upper(line).find("AT");
      if (at != Bytes::npos) {
        EXPECT_FALSE(LooksLikeChange(line.substr(at))) << spec.name << " took " << SafeText(line);
      }
      line.clear();
    }
  };
  for (const bool drops : {false, true}) {
    for (const char* unknown : {"", "ERROR\r\n"}) {
      for (const int turnaround : {2, 300, 1500}) {
        for (const char* format : {"8N1", "7E1", "7O1"}) {
          ModuleSpec spec;
          spec.drops_controls = drops;
          spec.unknown = unknown;
          spec.turnaround = Ms(turnaround);
          spec.takes_bad_bytes = turnaround != 300;
          ASSERT_TRUE(ParseFormat(format, spec.line).ok());
          spec.answers = {{"AT", InOne("OK\r\n")}, {"ATI", InOne("sedge\r\n")}};
          for (const auto& ends : terminators) {
            spec.terminators = ends;
            spec.name = std::string(drops ? "drops, " : "keeps, ") + format + " " +
                        SafeText(ends[0]) + " " + std::to_string(turnaround) + " ms";
            check(spec, turnaround == 2);
            spec.sleeps = Ms(900);
            check(spec, true);
            spec.sleeps.reset();
          }
          spec.terminators.clear();
          for (const int silence : {30, 150, 400, 700}) {
            spec.silence = Ms(silence);
            spec.name = std::string(drops ? "drops, " : "keeps, ") + format + " silence of " +
                        std::to_string(silence) + " ms " + std::to_string(turnaround) + " ms";
            check(spec, turnaround == 2);
          }
        }
      }
    }
  }
  EXPECT_GT(taken_in_all, 1000u);
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
