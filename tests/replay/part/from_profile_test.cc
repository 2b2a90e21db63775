#include "replay/part/from_profile.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace trial {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;
using witness::ModuleState;
using witness::Profile;
using witness::ProfileReply;

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

Profile Bare() {
  Profile p;
  p.title = "bare";
  p.state = ModuleState::kAnswers;
  p.line.baud = 9600;
  p.accepted_endings = {"none"};
  p.send_ending = "none";
  p.must_be_bare = true;
  p.silence_at_least = Ms(390);
  p.silence_at_most = Ms(410);
  ProfileReply reply;
  reply.command = "AT";
  reply.outcome = witness::ReplyOutcome::kAnswered;
  reply.texts = {"OK11", "no"};
  reply.most_pieces = 2;
  reply.piece_sizes = {2, 2};
  reply.turnarounds = {Ms(412), Ms(414), Ms(413)};
  reply.longest_pauses = {Ms(35)};
  p.replies = {reply};
  return p;
}

TEST(PartFromProfile, AnswersBareAfterTheSilenceAndInPieces) {
  const auto built = BuildPartFromProfile(Bare());
  ASSERT_TRUE(built.ok()) << built.status().message();
  const Part& part = built->part;
  EXPECT_TRUE(part.command_end.terminators.empty());
  EXPECT_EQ(part.command_end.silence, Ms(400));
  ASSERT_EQ(part.rules.size(), 1u);
  EXPECT_EQ(part.rules[0].cue.match, Match::kExact) << "an ending becomes part of the command";
  ASSERT_EQ(part.rules[0].answers.size(), 2u);
  const auto& pieces = part.rules[0].answers[0].pieces;
  ASSERT_EQ(pieces.size(), 2u);
  EXPECT_EQ(pieces[0], (Piece{Ms(13), "OK"})) << "the turnaround held the silence";
  EXPECT_EQ(pieces[1], (Piece{Ms(35), "11"}));
  EXPECT_EQ(JoinPieces(part.rules[0].answers[1].pieces), "no");
  EXPECT_FALSE(part.unknown);
}

TEST(PartFromProfile, LeftoverLfIsNotTakenWithTheCr) {
  Profile p = Bare();
  p.must_be_bare = false;
  p.accepted_endings = {"CR", "CR LF"};
  p.send_ending = "CR";
  auto built = BuildPartFromProfile(p);
  EXPECT_EQ(built->part.command_end.terminators, (std::vector<Bytes>{"\r", "\r\n"}));
  p.leftover_spoils = true;
  built = BuildPartFromProfile(p);
  EXPECT_EQ(built->part.command_end.terminators, std::vector<Bytes>{"\r"});
  EXPECT_FALSE(built->part.command_end.silence);
}

TEST(PartFromProfile, WhatIsNotKnownIsSaid) {
  Profile p = Bare();
  p.replies.push_back({});
  p.replies.back().command = "AT+KEY=1";
  p.replies.back().outcome = witness::ReplyOutcome::kNotSent;
  p.listened = Duration::Seconds(30);
  p.unsolicited = {{"+JOIN: 3\r\n", 3, {}}};
  const auto built = BuildPartFromProfile(p);
  ASSERT_TRUE(built.ok());
  EXPECT_EQ(built->part.rules.size(), 1u);
  EXPECT_EQ(built->part.unasked.at(0).every, Duration::Seconds(10));
  EXPECT_THAT(built->remarks, Contains(HasSubstr("AT+KEY=1")));
  EXPECT_THAT(built->remarks, Contains(HasSubstr("which is a guess")));
}

TEST(PartFromProfile, AModuleThatSleepsLosesWhatComesFirst) {
  Profile p = Bare();
  EXPECT_FALSE(BuildPartFromProfile(p)->part.sleeps_after);
  p.sleeps = true;
  const auto built = BuildPartFromProfile(p);
  ASSERT_TRUE(built.ok());
  EXPECT_EQ(built->part.sleeps_after, Duration::Seconds(4));
  EXPECT_THAT(built->remarks, Contains(HasSubstr("sleeps after a silence")));
}

TEST(PartFromProfile, NoAnswersNoPart) {
  Profile p;
  p.state = ModuleState::kSilent;
  EXPECT_EQ(BuildPartFromProfile(p).status().code(), witness::Code::kInvalidArgument);
}

}  // namespace
}  // namespace trial
