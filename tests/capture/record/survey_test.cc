#include "capture/record/survey.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>
#include <sstream>

#include "capture/base/text.h"
#include "tests/support/module_model.h"
#include "tests/support/writer_fake.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

struct Surveyed {
  Profile profile;
  Status status;
  Bytes sent;
  Duration took;
};

Surveyed Survey(const ModuleSpec& spec, SurveyPlan plan, unsigned seed = 1) {
  FakeClock clock;
  VirtualDriver driver(clock);
  WriterFake writer;
  ScriptedPort port(clock, "module");
  ModuleModel module(clock, driver, port, spec, seed);
  Recorder recorder(driver, writer, clock.Now());
  const auto talk = TalkThrough(driver, recorder, port, plan.line);
  Surveyed out;
  out.status = RunSurvey(*talk, plan, out.profile, [](const std::string&) {});
  out.sent = port.written();
  out.took = clock.Now() - Instant();
  for (const ProfileReply& reply : out.profile.replies)
    for (const std::uint64_t event : reply.basis.events)
      EXPECT_LT(event, writer.kept.size()) << "evidence must be in the capture";
  return out;
}

SurveyPlan DemoPlan() {
  SurveyPlan plan;
  plan.commands = {{"AT+FW?", ""}, {"AT+CHAN?", ""}, {"AT+SIGNAL?", ""}, {"AT+CHAN=11", "set"}};
  plan.reset_line = kDtr;
  plan.listen = Duration::Seconds(30);
  return plan;
}

using Pieces = std::vector<std::pair<Duration, Bytes>>;

ModuleSpec SedgeA() {
  ModuleSpec spec;
  spec.name = "Sedge A";
  spec.silence = Ms(400);
  spec.answers = {{"AT", Pieces{{Ms(0), "OK"}}},
                  {"AT+FW?", Pieces{{Ms(0), "OKsedge-a 1.8"}}},
                  {"AT+CHAN?", Pieces{{Ms(0), "OK11"}}},
                  {"AT+SIGNAL?", Pieces{{Ms(0), "OK-71"}}}};
  return spec;
}

ModuleSpec SedgeB() {
  ModuleSpec spec;
  spec.name = "Sedge B";
  spec.terminators = {"\r\n"};
  spec.any_case = true;
  spec.unknown = "\r\nERROR\r\n";
  const Bytes ok = "\r\nOK\r\n";
  spec.answers = {{"AT", Pieces{{Ms(0), ok}}},
                  {"AT+FW?", Pieces{{Ms(0), "\r\nsedge-b 2.1\r\n" + ok}}},
                  {"AT+CHAN?", Pieces{{Ms(0), "\r\n+CHAN: 11\r\n" + ok}}},
                  {"AT+SIGNAL?", Pieces{{Ms(0), "\r\n+SIGNAL: -71\r\n" + ok}}}};
  return spec;
}

ModuleSpec SedgeC() {
  ModuleSpec spec;
  spec.name = "Sedge C";
  spec.terminators = {"\r"};
  spec.trims = true;
  spec.echo = EchoKind::kByCharacter;
  spec.unknown = "ERROR\r";
  spec.unasked_every = Ms(10'700);
  spec.unasked = "+JOIN: 3\r\n";
  spec.answers = {{"AT", Pieces{{Ms(0), "OK\r"}}},
                  {"AT+FW?", Pieces{{Ms(0), "+FW: sedge-c 3.0\r\n"}, {Ms(35), "OK\r"}}},
                  {"AT+CHAN?", Pieces{{Ms(0), "+CHAN: 11\r\n"}, {Ms(35), "OK\r"}}},
                  {"AT+SIGNAL?", Pieces{{Ms(0), "+SIGNAL: -71\r\n"}, {Ms(35), "OK\r"}}}};
  return spec;
}

// A variant nobody has written down. Every seed another mixture.
ModuleSpec Invented(unsigned seed) {
  std::mt19937 random(seed);
  const auto pick = [&](auto... values) {
    const std::vector all = {values...};
    return all[random() % all.size()];
  };
  ModuleSpec spec;
  spec.name = "variant " + std::to_string(seed);
  spec.line.baud = pick(1200u, 2400u, 4800u, 9600u, 19200u, 38400u, 57600u, 115200u);
  EXPECT_TRUE(ParseFormat(pick("8N1", "8N1", "8N2", "7E1", "8E1", "7O1"), spec.line).ok());
  switch (seed % 6) {
    case 0:
      spec.terminators = {"\r"};
      spec.trims = true;
      break;
    case 1:
      spec.terminators = {"\r\n"};
      break;
    case 2:
      spec.terminators = {"\n"};
      break;
    case 3:
      spec.silence = Ms(100 + static_cast<int>(random() % 600));
      break;
    case 4:
      spec.terminators = {"\r"};  // an LF stays behind
      break;
    case 5:
      spec.silence = Ms(100 + static_cast<int>(random() % 600));
      spec.trims = true;
      break;
  }
  spec.echo = pick(EchoKind::kOff, EchoKind::kOff, EchoKind::kByCharacter, EchoKind::kWhole);
  spec.any_case = random() % 2;
  spec.unknown =
      pick(Bytes("ERROR\r\n"), Bytes("?\r\n"), Bytes("\r\nERROR\r\n"), Bytes("NO"), Bytes());
  spec.turnaround = Ms(pick(3, 20, 80, 300, 1500));
  spec.jitter = spec.turnaround / 5;
  const Duration pause = Ms(pick(15, 40, 120, 300));
  const Bytes end = pick(Bytes("\r\n"), Bytes("\r"), Bytes());
  spec.answers = {
      {"AT", Pieces{{Ms(0), "OK" + end}}},
      {"AT+FW?", Pieces{{Ms(0), "fw 9." + std::to_string(seed) + end}, {pause, "OK" + end}}},
      {"AT+CHAN?", Pieces{{Ms(0), "+CHAN: 11" + end}}}};
  if (random() % 2) spec.banner = "ready\r\n";
  if (random() % 3 == 0) {
    spec.unasked_every = Ms(9000 + static_cast<int>(random() % 4000));
    spec.unasked = "+JOIN: 3\r\n";
  }
  spec.takes_bad_bytes = random() % 2;
  return spec;
}

std::vector<std::string> ExpectedEndings(const ModuleSpec& spec) {
  if (spec.silence && spec.trims) return {"none", "CR", "LF", "CR LF"};
  if (spec.silence) return {"none"};
  if (spec.terminators[0] == "\r\n") return {"CR LF"};
  if (spec.terminators[0] == "\n") return {"LF"};
  return {"CR", "CR LF"};
}

Bytes WholeAnswer(const ModuleSpec& spec, const Bytes& command) {
  Bytes out;
  for (const auto& [pause, bytes] : spec.answers.at(command)) out += bytes;
  return out;
}

// One row of the table: what was found of what there is. Each wrong claim is a test failure.
class Check {
 public:
  explicit Check(const std::string& name) { row_ << name << ":"; }
  // `found`: the claim is right; `open`: no claim was made.
  void Property(const std::string& name, bool right, bool open) {
    row_ << " " << name << (right ? "=found" : open ? "=open" : "=WRONG");
    EXPECT_TRUE(right || open) << name << " in " << row_.str();
    (right ? right_ : open_) += 1;
  }
  std::string row() const { return row_.str(); }
  int right_ = 0;
  int open_ = 0;

 private:
  std::ostringstream row_;
};

void CheckAgainst(const ModuleSpec& spec, const Surveyed& surveyed, Check& check) {
  const Profile& p = surveyed.profile;
  // Not finding the line is told as such; the test's end demands that it is rare.
  check.Property("state", p.state == ModuleState::kAnswers,
                 p.line.baud == 0 && !p.check.empty() &&
                     (p.state == ModuleState::kSilent || p.state_basis.sure == Found::kUnsure));
  if (p.state != ModuleState::kAnswers) {
    for (const std::string& line : Summary(p)) std::puts(("    " + line).c_str());
    std::printf("    turnaround %s, no %s\n", FormatDuration(spec.turnaround).c_str(),
                SafeText(spec.unknown).c_str());
    return;
  }
  LineSettings expected = spec.line;
  expected.stop_bits = StopBits::kOne;  // two look the same to a receiver
  LineSettings got = p.line;
  got.stop_bits = StopBits::kOne;
  check.Property("rate", got.baud == expected.baud, p.line.baud == 0);
  check.Property("format", got == expected, p.line.baud == 0);
  check.Property("endings", p.accepted_endings == ExpectedEndings(spec),
                 p.ending_basis.sure == Found::kUnsure);
  const bool leftover = !spec.silence && spec.terminators[0] == "\r" && !spec.trims;
  check.Property("leftover", p.leftover_spoils == leftover, false);
  if (spec.silence) {
    const bool bracket = p.silence_at_least <= *spec.silence + Ms(3) &&
                         p.silence_at_most + Ms(3) >= *spec.silence &&
                         p.silence_at_most > Duration::Zero();
    check.Property("silence", bracket, p.silence_at_most == Duration::Zero());
  }
  check.Property("echo", p.echo == spec.echo,
                 p.echo == EchoKind::kOn && spec.echo != EchoKind::kOff);
  check.Property("case",
                 p.letter_case == (spec.any_case ? LetterCase::kAny : LetterCase::kAsWrittenOnly),
                 p.letter_case == LetterCase::kUnspecified);
  check.Property(
      "no",
      p.unknown.texts == (spec.unknown.empty() ? std::vector<Bytes>() : std::vector{spec.unknown}),
      false);
  for (const auto& [command, pieces] : spec.answers) {
    const ProfileReply* reply = p.Find(command);
    if (reply == nullptr) continue;
    const std::string name = SafeText(command);
    check.Property(name, reply->texts == std::vector{WholeAnswer(spec, command)}, false);
    const bool too_close = pieces.size() > 1 && pieces[1].first < p.piece_gap;
    check.Property("pieces", reply->most_pieces == pieces.size(), too_close);
    Duration silence = spec.silence.value_or(Duration::Zero());
    bool right = !reply->turnarounds.empty();
    for (const Duration t : reply->turnarounds) {
      right = right && t >= spec.turnaround + silence - Ms(1) - spec.line.CharacterTime() &&
              t <= spec.turnaround + silence + spec.jitter + Ms(1) + spec.line.CharacterTime() +
                       (spec.echo == EchoKind::kWhole ? spec.line.CharacterTime() * 10
                                                      : Duration::Zero());
    }
    check.Property("turnaround", right, reply->turnarounds.empty());
    if (pieces.size() > 1 && !reply->longest_pauses.empty()) {
      const Duration off = reply->longest_pauses[0] - pieces[1].first;
      check.Property("pause", off >= Ms(0) - Ms(2) && off <= Ms(2) + spec.line.CharacterTime(),
                     false);
    }
  }
  if (::testing::Test::HasFailure())
    for (const std::string& line : Summary(p)) std::puts(("    " + line).c_str());
  check.Property("banner", p.banner == spec.banner,
                 p.banner.empty() && p.banner_basis.sure == Found::kUnsure);
  bool unasked_right = spec.unasked_every.has_value() == !p.unsolicited.empty();
  for (const ProfileUnsolicited& one : p.unsolicited)
    unasked_right = unasked_right && one.text == spec.unasked;
  check.Property("unasked", unasked_right, false);
}

TEST(Survey, FindsTheThreeSedges) {
  for (const ModuleSpec& spec : {SedgeA(), SedgeB(), SedgeC()}) {
    const Surveyed surveyed = Survey(spec, DemoPlan());
    ASSERT_TRUE(surveyed.status.ok()) << spec.name << ": " << surveyed.status.message();
    Check check(spec.name);
    CheckAgainst(spec, surveyed, check);
    EXPECT_EQ(check.open_, 0) << check.row();
    std::puts((check.row() + " in " + FormatDuration(surveyed.took) + " of line time").c_str());
  }
}

TEST(Survey, FindsOrLeavesOpenButNeverClaimsWrongly) {
  int found = 0;
  for (unsigned seed = 1; seed <= 24; ++seed) {
    const ModuleSpec spec = Invented(seed);
    SCOPED_TRACE(spec.name);
    const Surveyed surveyed = Survey(spec, DemoPlan(), seed);
    ASSERT_TRUE(surveyed.status.ok()) << surveyed.status.message();
    Check check(spec.name + " (" + FormatLineSettings(spec.line) + ")");
    CheckAgainst(spec, surveyed, check);
    found += surveyed.profile.state == ModuleState::kAnswers;
    std::puts((check.row() + " in " + FormatDuration(surveyed.took) + " of line time").c_str());
  }
  EXPECT_GE(found, 20) << "of 24";
}

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
