// A survey does no harm: nothing that acts is sent without the flag, and nothing that acts comes of
// what a module kept in its buffer. What modules took is looked at, not only what was sent.
#include <gtest/gtest.h>

#include <cctype>
#include <random>

#include "capture/base/text.h"
#include "capture/record/survey_heard.h"
#include "tests/support/sanitized.h"
#include "tests/support/survey_check.h"

namespace witness {
namespace {

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

// Whether a modem that is as willing as can be would only answer to this line (ITU-T V.250
// (07/2003) 5.2 to 5.6, clause numbers from memory), written apart from LooksLikeChange:
//  - spaces and control characters do not count, so that lines whose endings are no endings to this
//    module are one line; nor does what stands before the first "AT";
//  - a line is carried out command by command up to its first error, so that what stands behind
//    "#", which begins no command, is not carried out, nor behind other such characters;
//  - "+NAME?" and "+NAME=?" ask; what follows belongs to them and makes them an error, up to a
//    semicolon, behind which there is another command;
//  - I and S with "?" ask; G, J and U begin no command and so are errors, as is an extended command
//    whose name begins with two of these letters: that is what is left where characters of a query
//    that cannot exist were lost. All else acts, or may act in some module: not harmless.
bool Harmless(const Bytes& taken) {
  Bytes line;
  for (const char c : taken) {
    const char seven = static_cast<char>(c & 0x7F);  // a modem looks at seven bits
    if (seven > ' ') line += static_cast<char>(std::toupper(static_cast<unsigned char>(seven)));
  }
  if (line.find("+++") != Bytes::npos || line.find("A/") != Bytes::npos) return false;
  std::size_t at = line.find("AT");
  if (at == Bytes::npos) return true;
  const auto skip = [&](const char* characters) {
    at = std::min(line.find_first_not_of(characters, at), line.size());
  };
  at += 2;
  while (at < line.size()) {
    const char c = line[at++];
    if (std::string_view("#?\"!'()<>@[]^_`{|}~GJU").find(c) != std::string_view::npos) return true;
    if (c == ';') continue;
    if (c == 'I') {
      skip("0123456789");
    } else if (c == 'S') {
      skip("0123456789");
      if (at >= line.size() || line[at++] != '?') return false;
    } else if (c == '+') {
      const std::size_t name = at;
      skip("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789");
      if (line.find_first_not_of("GIJU", name) >= std::min(at, name + 2)) return true;
      if (at == line.size()) return false;
      if (line[at] == '=') ++at;
      if (at >= line.size() || line[at++] != '?') return false;
      if (at < line.size() && line[at] != ';') return true;
    } else {
      return false;
    }
  }
  return true;
}

TEST(SurveyHarmless, TheTestKnowsWhatActs) {
  for (const char* line : {"ATAT", "ATIAT", "AT\rAT", "##ATAT", "atat", "AT+FW?;A", "ATZJ?",
                           "AT+CHAN=11", "ATS0=1", "A/", "x\r\nATA", "AT+RST"})
    EXPECT_FALSE(Harmless(line)) << line;
  for (const char* line : {"", "AT", "at", "ATI", "ATI3", "AT##AT", "##AT", "##JGU?AT", "AT+FW?AT",
                           "AT+FW?;+CHAN=?", "ATS3?", "TA", "AT\r\n##\r\nAT"})
    EXPECT_TRUE(Harmless(line)) << line;
}

// Random lists: bodies that act and that ask, in other letters, with endings, spaces and company,
// marked and unmarked.
TEST(SurveyHarmless, NoForbiddenCommandIsEverSentWithoutTheFlag) {
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
    for (const Bytes& line : surveyed.taken)
      EXPECT_TRUE(Harmless(line)) << "seed " << seed << " took " << SafeText(line);
  }
  EXPECT_GT(withheld, 300) << "the lists must hold something to withhold";
  EXPECT_GT(sent, 100) << "and something to send";
}

class Buffers : public ::testing::Test {
 protected:
  void Check(const ModuleSpec& spec, bool line_is_known) {
    SurveyPlan plan = DemoPlan();
    plan.commands = {{"AT", ""}, {"ATI", ""}, {"AT+FW?", ""}};
    plan.repeats = 2;
    plan.listen = Duration::Seconds(12);
    plan.reset_line.reset();
    plan.line_is_known = line_is_known;
    plan.line = line_is_known ? spec.line : LineSettings();
    plan.bauds = {9600, 19200};
    const Surveyed surveyed = Survey(spec, plan, ++seed_);
    ASSERT_TRUE(surveyed.status.ok()) << surveyed.status.message();
    for (const Bytes& line : surveyed.taken) {
      if (Harmless(line)) continue;
      ++acted_;
      if (spec.loses_ending == 0) ADD_FAILURE() << spec.name << " took " << SafeText(line);
    }
    taken_ += surveyed.taken.size();
  }

  // Of one of the three families, half of them with another rule of what ends a command.
  void CheckAtRandom(unsigned seed, unsigned loses_ending) {
    Chooser pick(seed * 40503u + 7);
    ModuleSpec spec = seed % 3 == 0   ? Invented(seed)
                      : seed % 3 == 1 ? Strange(seed)
                                      : Mannered(seed);
    spec.line.baud = pick(9600u, 19200u);
    if (pick.OneIn(2)) {
      const bool silent = pick.OneIn(2);
      spec.terminators.clear();
      spec.silence.reset();
      if (silent)
        spec.silence = Ms(50 + pick.Below(2950));
      else
        spec.terminators = kTerminators[static_cast<std::size_t>(
            pick.Below(static_cast<unsigned>(kTerminators.size())))];
    }
    if (pick.OneIn(2)) spec.drops_controls = true;
    spec.loses_ending = loses_ending;
    spec.name += " (" + FormatLineSettings(spec.line) + ")" +
                 (spec.silence ? " silence of " + FormatDuration(*spec.silence) : "") +
                 (spec.terminators.empty() ? "" : " ended by " + SafeText(spec.terminators[0])) +
                 (spec.drops_controls ? " drops" : "");
    Check(spec, pick.OneIn(2));
  }

  const std::vector<std::vector<Bytes>> kTerminators = {{"\r"},       {"\n"}, {"\r\n"}, {"\n\r"},
                                                        {"\r", "\n"}, {";"},  {"\x03"}, {"\r\r"}};
  std::size_t taken_ = 0;
  int acted_ = 0;
  unsigned seed_ = 0;
};

constexpr const char* kFormats[] = {"8N1", "7E1", "7O1"};
constexpr int kSilences[] = {30, 50, 150, 400, 700, 1200, 1800, 2500, 3000, 5000};

// A module that keeps what it could not take, under each rule of what ends a command and of what
// becomes of the other control characters: what it takes, alone or joined with what was left, must
// not act. "ATAT" would let a modem answer a call.
TEST_F(Buffers, NothingThatStaysInAModulesBufferMakesACommandThatActs) {
  for (const bool drops : {false, true}) {
    for (const char* unknown : {"", "ERROR\r\n"}) {
      for (const int turnaround : {2, 300, 1500}) {
        for (const char* format : Enough(std::span<const char* const>(kFormats), 1)) {
          ModuleSpec spec;
          spec.drops_controls = drops;
          spec.unknown = unknown;
          spec.turnaround = Ms(turnaround);
          spec.takes_bad_bytes = turnaround != 300;
          ASSERT_TRUE(ParseFormat(format, spec.line).ok());
          spec.answers = {{"AT", InOne("OK\r\n")}, {"ATI", InOne("sedge\r\n")}};
          for (const auto& ends : kTerminators) {
            spec.terminators = ends;
            spec.name = std::string(drops ? "drops, " : "keeps, ") + format + " " +
                        SafeText(ends[0]) + " " + std::to_string(turnaround) + " ms";
            Check(spec, turnaround == 2);
            spec.sleeps = Ms(900);
            Check(spec, true);
            spec.sleeps.reset();
          }
          spec.terminators.clear();
          for (const int silence : kSilences) {
            spec.silence = Ms(silence);
            spec.name = std::string(drops ? "drops, " : "keeps, ") + format + " silence of " +
                        std::to_string(silence) + " ms " + std::to_string(turnaround) + " ms";
            Check(spec, turnaround == 2);
          }
        }
      }
    }
  }
  EXPECT_GT(taken_, 1000u);
}

constexpr unsigned kModules = kSanitized ? 120 : 1800;

TEST_F(Buffers, ModulesAtRandomTakeNothingThatActs) {
  for (unsigned seed = 1; seed <= kModules; ++seed) CheckAtRandom(seed, 0);
  EXPECT_GT(taken_, 50'000u * kModules / 1800);
}

// Where a line loses an ending, the answer that does not come tells so; only if something else
// comes just then that looks like it, two queries are joined.
TEST_F(Buffers, ALostEndingHardlyEverMakesACommandThatActs) {
  for (unsigned seed = 1; seed <= kModules; ++seed) CheckAtRandom(seed, seed % 2 == 0 ? 23 : 61);
  EXPECT_GT(taken_, 50'000u * kModules / 1800);
  EXPECT_LE(acted_, 2) << "of so many that were taken: " << taken_;
}

}  // namespace
}  // namespace witness
