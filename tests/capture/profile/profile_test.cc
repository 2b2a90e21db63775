#include "capture/profile/profile.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

namespace witness {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

std::vector<Duration> Micros(std::initializer_list<int> values) {
  std::vector<Duration> out;
  for (const int v : values) out.push_back(Duration::Microseconds(v));
  return out;
}

Profile Demo() {
  Profile p;
  p.title = "Sedge A";
  p.state = ModuleState::kAnswers;
  p.line.baud = 9600;
  p.line_basis = {Found::kSure, "4 of 4 alike", {1, 2, 3}, 8};
  p.accepted_endings = {"none"};
  p.send_ending = "none";
  p.must_be_bare = true;
  p.silence_at_least = Duration::Milliseconds(395);
  p.silence_at_most = Duration::Milliseconds(405);
  p.echo = EchoKind::kOff;
  p.letter_case = LetterCase::kAsWrittenOnly;
  p.unknown.command = "AT+JGU?";
  p.unknown.outcome = ReplyOutcome::kNoAnswer;
  p.unknown.basis.tries = 5;
  ProfileReply reply;
  reply.command = "AT+FW?";
  reply.outcome = ReplyOutcome::kAnswered;
  reply.texts = {"OKsedge-a 1.8", Bytes("\x00\xff", 2)};
  reply.most_pieces = 2;
  reply.turnarounds = Micros({420'100, 420'300, 420'500, 420'700, 420'900});
  reply.longest_pauses = Micros({35'000});
  p.replies = {reply};
  p.unsolicited = {{"+JOIN: 3\r\n", 2, {}}};
  return p;
}

TEST(Profile, TextReadsBackToTheSame) {
  const Profile p = Demo();
  const std::string text = WriteProfile(p);
  const auto back = ReadProfile(text);
  ASSERT_TRUE(back.ok()) << back.status().message();
  EXPECT_EQ(WriteProfile(*back), text);
  EXPECT_EQ(back->line, p.line);
  EXPECT_EQ(back->replies[0].texts, p.replies[0].texts);
  EXPECT_EQ(back->replies[0].turnarounds, p.replies[0].turnarounds);
  EXPECT_THAT(text, HasSubstr("format: \"8N1\""));
}

TEST(Profile, ErrorsNameLineAndColumn) {
  const auto wrong = ReadProfile("title: \"x\"\nbaud: fast\n");
  ASSERT_FALSE(wrong.ok());
  EXPECT_EQ(wrong.status().code(), Code::kInvalidArgument);
  EXPECT_THAT(wrong.status().message(), HasSubstr("line 2, column 7"));
}

TEST(Profile, SummaryIsPlain) {
  EXPECT_THAT(Summary(Demo()),
              Contains(HasSubstr("takes a command bare after between 395 ms and 405 ms of silence; "
                                 "a CR or LF becomes part of the command")));
}

TEST(Profile, AdviceNamesTimeoutAndItsReasons) {
  const auto advice = Advice(Demo());
  EXPECT_THAT(advice, Contains(HasSubstr("send: the command alone")));
  EXPECT_THAT(advice, Contains(HasSubstr("longest turnaround seen 421 ms")));
  EXPECT_THAT(advice, Contains(HasSubstr("do not wait for one")));
  // 64 characters of 10 bits at 9600 baud: 66.7 ms (arithmetic).
  EXPECT_THAT(advice, Contains(HasSubstr("64 bytes fill up in 66.7 ms")));
}

// Exact two-sided p of complete separation is 2 / C(n+m, n): 2/252 for 5 and 5, 2/70 for 4 and 4
// (arithmetic; the critical values of Mann and Whitney's test follow from it).
TEST(RankTest, CompleteSeparationHasTheExactProbability) {
  EXPECT_NEAR(RankTest(Micros({1, 2, 3, 4, 5}), Micros({6, 7, 8, 9, 10})), 2.0 / 252, 1e-12);
  EXPECT_NEAR(RankTest(Micros({6, 7, 8, 9}), Micros({1, 2, 3, 4})), 2.0 / 70, 1e-12);
}

TEST(RankTest, InterleavedSamplesDoNotDiffer) {
  EXPECT_GT(RankTest(Micros({1, 3, 5, 7, 9}), Micros({2, 4, 6, 8, 10})), 0.5);
  EXPECT_EQ(RankTest(Micros({5, 5, 5}), Micros({5, 5, 5})), 1);
  EXPECT_EQ(RankTest({}, Micros({1})), 1);
}

// The worked example of the reference manual of SciPy's mannwhitneyu (ages of nine patients): U is
// 17 of 20, and the exact two-sided p is 0.111111.
TEST(RankTest, AWorkedExample) {
  EXPECT_NEAR(RankTest(Micros({19, 22, 16, 29, 24}), Micros({20, 11, 17, 12})), 0.1111111111, 1e-9);
}

// Two samples of `size` each in which U is `u`: how often one of the first exceeds one of the
// second.
double ProbabilityOf(int size, int u) {
  std::vector<Duration> first;
  std::vector<Duration> second;
  for (int i = 0; i < size; ++i) {
    const int above = std::min(size, u);
    u -= above;
    first.push_back(Duration::Microseconds(1000 * above + 500 + i));
    second.push_back(Duration::Microseconds(1000 * (i + 1)));
  }
  return RankTest(first, second);
}

// Published tables of critical values of U, two-sided (as in S. Siegel, Nonparametric Statistics
// for the Behavioral Sciences, 1956, table K; figures from memory): the largest U that is
// significant.
TEST(RankTest, CriticalValuesOfPublishedTables) {
  const struct {
    int size;
    double level;
    int critical;
  } table[] = {{5, 0.05, 2},   {5, 0.01, 0},   {8, 0.05, 13},   {8, 0.01, 7},
               {10, 0.05, 23}, {10, 0.01, 16}, {20, 0.05, 127}, {20, 0.01, 105}};
  for (const auto& row : table) {
    EXPECT_LE(ProbabilityOf(row.size, row.critical), row.level) << row.size << " " << row.level;
    EXPECT_GT(ProbabilityOf(row.size, row.critical + 1), row.level) << row.size << " " << row.level;
  }
}

const ProfileDifference* Of(const std::vector<ProfileDifference>& all, const std::string& what) {
  for (const ProfileDifference& one : all)
    if (one.what == what) return &one;
  return nullptr;
}

TEST(CompareProfiles, AProfileIsLikeItself) {
  for (const ProfileDifference& one : CompareProfiles(Demo(), Demo()))
    EXPECT_TRUE(one.verdict == Likeness::kSame || one.verdict == Likeness::kCannotTell) << one.what;
}

TEST(CompareProfiles, AModuleThatSleepsIsToldFromOneThatDoesNot) {
  const char* what = "sleeps after a silence";
  Profile a = Demo();
  Profile b = Demo();
  EXPECT_EQ(Of(CompareProfiles(a, b), what), nullptr);
  a.sleeps = true;
  a.sleep_basis.sure = Found::kSure;
  EXPECT_EQ(Of(CompareProfiles(a, b), what)->verdict, Likeness::kDiffers);
  EXPECT_THAT(Of(CompareProfiles(a, b), what)->first, HasSubstr("wakes it"));
  b.sleeps = true;
  EXPECT_EQ(Of(CompareProfiles(a, b), what)->verdict, Likeness::kSame);
  b.state = ModuleState::kSilent;
  EXPECT_EQ(Of(CompareProfiles(a, b), what)->verdict, Likeness::kCannotTell);
}

TEST(CompareProfiles, WordsEndingsAndTimesAreToldApart) {
  const Profile a = Demo();
  Profile b = Demo();
  b.replies[0].texts = {"OKsedge-a 1.8\r\n", Bytes("\x00\xff", 2)};
  for (Duration& d : b.replies[0].turnarounds) d = d + Duration::Milliseconds(30);
  b.replies.push_back({});
  b.replies.back().command = "AT+NEW?";
  const auto all = CompareProfiles(a, b);
  EXPECT_EQ(Of(all, "reply to AT+FW?: words")->verdict, Likeness::kSame);
  EXPECT_EQ(Of(all, "reply to AT+FW?: endings")->verdict, Likeness::kDiffers);
  EXPECT_EQ(Of(all, "reply to AT+FW?: turnaround")->verdict, Likeness::kDiffers);
  EXPECT_THAT(Of(all, "reply to AT+FW?: turnaround")->basis, HasSubstr("5 and 5 samples"));
  EXPECT_EQ(Of(all, "reply to AT+FW?: pause inside")->verdict, Likeness::kCannotTell);
  EXPECT_EQ(Of(all, "reply to AT+NEW?")->verdict, Likeness::kOnlyInSecond);
}

}  // namespace
}  // namespace witness
