// What differs from run to run is not compared; what is said besides is no fault.
#include "replay/judge/steadiness.h"

#include <gtest/gtest.h>

#include "replay/judge/judge.h"

namespace trial {
namespace {

Observations Printing(const Bytes& text, const Bytes& command = "AT\r\n") {
  Observations seen;
  seen.ending = SubjectEnding::kExited;
  TakenCommand taken;
  taken.bytes = command;
  taken.known = true;
  seen.commands = {taken};
  seen.printed = {{Instant(), false, text}};
  return seen;
}

Judge Plain() { return *Judge::Create({}); }

VerdictKind After(const Bytes& first, const Bytes& second, const Bytes& then,
                  const Expectation& expectation = {}) {
  const Judge judge = Plain();
  const Observations a = Printing(first);
  const Observations b = Printing(second);
  const Steadiness steadiness(a, judge.Lines(a), b, judge.Lines(b));
  return judge.OfTrial(a, Printing(then), expectation, steadiness).kind;
}

TEST(Steadiness, WordsThatDifferFromRunToRunMayBeAnything) {
  EXPECT_EQ(After("job 17 signal -71\n", "job 18 signal -71\n", "job 99 signal -71\n"),
            VerdictKind::kHeld);
  EXPECT_EQ(After("job 17 signal -71\n", "job 18 signal -71\n", "job 99 signal -7\n"),
            VerdictKind::kBroke);
}

TEST(Steadiness, FiguresOfTimeAreNotCompared) {
  const Bytes base = "12:30:05 OK in 502.7 ms\n";
  EXPECT_EQ(After(base, base, "12:31:09 OK in 1.25 s\n"), VerdictKind::kHeld);
  EXPECT_EQ(After(base, base, "12:31:09 ERROR in 1.25 s\n"), VerdictKind::kBroke);
}

TEST(Steadiness, DatesAndSecondsSince1970AreNotCompared) {
  const Bytes base = "2026-11-25T10:43:06Z 1764067386 OK\n";
  EXPECT_EQ(After(base, base, "2026-11-25T10:43:09Z 1764067389 OK\n"), VerdictKind::kHeld);
}

TEST(Steadiness, EndingsShownInHexadecimalMayBeOthers) {
  const Bytes base = "got 0d 0a 4f 4b 0d 0a\n";
  EXPECT_EQ(After(base, base, "got 4f 4b\n"), VerdictKind::kHeld);
  EXPECT_EQ(After(base, base, "got 4f\n"), VerdictKind::kBroke);
}

TEST(Judge, FiguresWithoutUnitThatAreElapsedTimeAreNotCompared) {
  const Judge judge = Plain();
  Observations base = Printing("0.1 reply 1.8\n");
  base.printed[0].at = base.ended = Instant() + Duration::Milliseconds(120);
  Observations later = Printing("0.3 reply 1.8\n");
  later.printed[0].at = later.ended = Instant() + Duration::Milliseconds(340);
  EXPECT_EQ(judge.OfTrial(base, later, {}).kind, VerdictKind::kHeld);
  // A version is no time, nor is a time that nothing took.
  later.printed[0].bytes = "0.3 reply 1.9\n";
  EXPECT_EQ(judge.OfTrial(base, later, {}).kind, VerdictKind::kBroke);
  later.printed[0].bytes = "5.3 reply 1.8\n";
  EXPECT_EQ(judge.OfTrial(base, later, {}).kind, VerdictKind::kBroke);
}

TEST(Steadiness, NumberOfSpacesIsNotCompared) {
  EXPECT_EQ(After("AT:  OK \n", "AT:  OK \n", "AT: OK\n"), VerdictKind::kHeld);
}

TEST(Steadiness, OneThatShowsEndingsMayShowOthersOneThatDoesNotMayNot) {
  EXPECT_EQ(After("b'\\r\\nOK\\r\\n'\n", "b'\\r\\nOK\\r\\n'\n", "b'OK'\n"), VerdictKind::kHeld);
  EXPECT_EQ(After("b'OK'\n", "b'OK'\n", "b'OK\\r'\n"), VerdictKind::kBroke);
}

TEST(Steadiness, CommandsThatDifferFromRunToRunMayBeAnything) {
  const Judge judge = Plain();
  const Observations a = Printing("x\n", "AT+TIME=1\r\n");
  const Observations b = Printing("x\n", "AT+TIME=2\r\n");
  const Observations c = Printing("x\n", "AT+TIME=3\r\n");
  const Steadiness steadiness(a, judge.Lines(a), b, judge.Lines(b));
  EXPECT_EQ(judge.OfTrial(a, c, {}, steadiness).kind, VerdictKind::kHeld);
  EXPECT_EQ(judge.OfTrial(a, c, {}).kind, VerdictKind::kBroke);
  EXPECT_NE(steadiness.Words().find("1 command"), std::string::npos) << steadiness.Words();
}

Steadiness Of(const std::vector<Bytes>& texts) {
  static const Judge judge = Plain();
  std::vector<Observations> seen;
  for (const Bytes& text : texts) seen.push_back(Printing(text));
  std::vector<Steadiness::Run> runs;
  for (const Observations& one : seen) runs.push_back({&one, judge.Lines(one)});
  return Steadiness(runs);
}

TEST(Steadiness, OneSlipOfFiveRunsIsNotTheSubjectsWay) {
  // Two runs can't tell, nor can three of which two say the same.
  EXPECT_FALSE(Of({"fw none\n", "fw 1.8\n"}).Sure());
  EXPECT_FALSE(Of({"fw none\n", "fw 1.8\n", "fw 1.8\n"}).Sure());
  const Steadiness slip = Of({"fw none\n", "fw 1.8\n", "fw 1.8\n", "fw 1.8\n", "fw 1.8\n"});
  EXPECT_TRUE(slip.Sure());
  EXPECT_EQ(slip.Usual(), 1u);
  EXPECT_EQ(slip.Words(), "");
  // Half and half, or another one each time: its own way.
  EXPECT_NE(Of({"fw a\n", "fw b\n", "fw a\n", "fw b\n", "fw a\n"}).Words(), "");
  const Steadiness counter = Of({"run 1\n", "run 2\n", "run 3\n"});
  EXPECT_TRUE(counter.Sure());
  EXPECT_NE(counter.Words(), "");
}

TEST(Judge, BlanksAreNoDifference) {
  EXPECT_EQ(After("AT [ OK ]\n", "AT [ OK ]\n", "AT [OK]\n"), VerdictKind::kHeld);
}

TEST(Judge, OneThatRunsForEverAndEndsAllTheSameBroke) {
  const Judge judge = Plain();
  Observations base = Printing("x\n");
  base.ending = SubjectEnding::kOver;
  Observations ended = base;
  ended.ending = SubjectEnding::kExited;
  EXPECT_EQ(judge.OfTrial(base, base, {}).kind, VerdictKind::kHeld);
  EXPECT_EQ(judge.OfTrial(base, ended, {}).kind, VerdictKind::kBroke);
}

TEST(Judge, OneThatOnlyListensIsJudgedByWhatItPrints) {
  const Judge judge = Plain();
  Observations base = Printing("fix 3\n");
  base.ending = SubjectEnding::kOver;
  base.commands.clear();
  EXPECT_EQ(judge.OfBaseline(base).kind, VerdictKind::kNoContest);
  base.said.push_back({{Instant(), "$FEN,3\r\n", SaidSort::kUnasked, 0}, Instant()});
  EXPECT_EQ(judge.OfBaseline(base).kind, VerdictKind::kHeld);
}

TEST(Judge, OneThatTakesAFieldOutOfALongerReplySaysWhatItSaid) {
  Expectation expectation;
  expectation.same_output = false;
  expectation.grown = {{"-b 1.8", "-b 1.8888888", false}};
  EXPECT_EQ(After("fw -b 1.8\n", "fw -b 1.8\n", "fw -b 1.8\n", expectation), VerdictKind::kHeld);
  EXPECT_EQ(After("fw -b 1.8\n", "fw -b 1.8\n", "fw -b 1.888\n", expectation), VerdictKind::kBroke);
}

TEST(Judge, ToTellOfWhatWasAddedIsNoFaultToTakeItForTheReplyIs) {
  Expectation expectation;
  expectation.added = {"+JOIN: 3"};
  EXPECT_EQ(After("AT OK\n", "AT OK\n", "event +JOIN: 3\nAT OK\n", expectation),
            VerdictKind::kHeld);
  EXPECT_EQ(After("AT OK\n", "AT OK\n", "AT +JOIN: 3\n", expectation), VerdictKind::kBroke);
  EXPECT_EQ(After("AT OK\n", "AT OK\n", "event +JOIN: 3\nAT OK\n"), VerdictKind::kBroke);
}

TEST(Judge, NumberWithZerosInFrontMayBeShownAsItWas) {
  Expectation expectation;
  expectation.same_output = false;
  expectation.grown = {{"71", "000071", true}};
  EXPECT_EQ(After("-71\n", "-71\n", "-71\n", expectation), VerdictKind::kHeld);
  EXPECT_EQ(After("-71\n", "-71\n", "-000071\n", expectation), VerdictKind::kHeld);
  EXPECT_EQ(After("-71\n", "-71\n", "-000\n", expectation), VerdictKind::kBroke);
}

TEST(Judge, WhatTheMachineHeldUpIsNotTheSubjectsDelay) {
  const Judge judge = Plain();
  Observations base = Printing("x\n");
  base.ended = Instant() + Duration::Milliseconds(10);
  Observations late = base;
  late.ended = Instant() + Duration::Milliseconds(900);
  EXPECT_EQ(judge.OfTrial(base, late, {}).kind, VerdictKind::kSlow);
  late.starved = Duration::Milliseconds(700);
  EXPECT_EQ(judge.OfTrial(base, late, {}).kind, VerdictKind::kHeld);
}

}  // namespace
}  // namespace trial
