#include "capture/examine/segmenter.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "tests/support/talk.h"

namespace witness {
namespace {

using test::Outline;
using test::Segments;
using test::Talk;

// The three Sedge modules answer as the project's demo scenario has it.
TEST(Segmenter, BareRepliesAreToldApartByTheCommandsBetween) {
  const auto segments = Segments(Talk()
                                     .Host(0, "AT")
                                     .Module(420, "OK")
                                     .Host(1000, "AT+FW?")
                                     .Module(1420, "OKsedge-a 1.8")
                                     .Host(2000, "AT+POWER=2")
                                     .Host(4500, "AT")
                                     .Module(4920, "OK")
                                     .events());
  EXPECT_EQ(Outline(segments),
            "command AT | reply OK | command AT+FW? | reply OKsedge-a 1.8 | command AT+POWER=2 | "
            "command AT | reply OK");
}

// Verbose result codes and information text: ITU-T V.250 (07/2003) 5.7.1.
TEST(Segmenter, InformationTextAndResultCodeAreOneReply) {
  const auto segments = Segments(Talk()
                                     .Host(0, "AT\r\n")
                                     .Module(20, "\r\nOK\r\n")
                                     .Host(500, "AT+FW?\r\n")
                                     .Module(520, "\r\nsedge-b 2.1\r\n\r\nOK\r\n")
                                     .events());
  EXPECT_EQ(Outline(segments),
            "command AT\\r\\n | reply \\r\\nOK\\r\\n | command AT+FW?\\r\\n | "
            "reply \\r\\nsedge-b 2.1\\r\\n\\r\\nOK\\r\\n");
  EXPECT_EQ(segments[0].ended_by, EndedBy::kLineEnding);
  EXPECT_EQ(segments[0].ending, LineEnding::kCrLf);
}

TEST(Segmenter, EchoAndReplyInPiecesAndUnasked) {
  Talk talk;
  for (int i = 0; i < 3; ++i) {
    const double t = 3000.0 * i;
    talk.Host(t, "AT+FW?\r")
        .Module(t + 5, "AT+FW?\r")
        .Module(t + 25, "sedge-c 3.0\r\n")
        .Module(t + 60, "OK\r")
        .Module(t + 1500, "+JOIN: 3\r\n");
  }
  const std::string one =
      "command AT+FW?\\r | echo AT+FW?\\r | reply sedge-c 3.0\\r\\nOK\\r | "
      "unsolicited +JOIN: 3\\r\\n";
  EXPECT_EQ(Outline(Segments(talk.events())), one + " | " + one + " | " + one);
}

TEST(Segmenter, EchoCharacterByCharacter) {
  Talk talk;
  double t = 0;
  for (const char c : std::string("AT\r")) {
    talk.Host(t, ByteView(&c, 1)).Module(t + 2, ByteView(&c, 1));
    t += 150;
  }
  talk.Module(t, "\r\nOK\r\n");
  EXPECT_EQ(Outline(Segments(talk.events())), "command AT\\r | echo AT\\r | reply \\r\\nOK\\r\\n");
}

TEST(Segmenter, PipelinedCommandsGetTheirOwnReplies) {
  Talk talk;
  talk.Host(0, "AT\r").Module(20, "\r\nOK\r\n");
  talk.Host(1000, "AT+FW?\rAT+CHAN?\r")
      .Module(1020, "\r\nsedge-b 2.1\r\n\r\nOK\r\n\r\n11\r\n\r\nOK\r\n");
  EXPECT_EQ(Outline(Segments(talk.events())),
            "command AT\\r | reply \\r\\nOK\\r\\n | command AT+FW?\\r | command AT+CHAN?\\r | "
            "reply \\r\\nsedge-b 2.1\\r\\n\\r\\nOK\\r\\n | reply \\r\\n11\\r\\n\\r\\nOK\\r\\n");
}

TEST(Segmenter, UnaskedLineInsideAReplyIsCutOut) {
  Talk talk;
  talk.Host(0, "AT\r\n").Module(20, "\r\nOK\r\n");
  talk.Module(1500, "\r\n+JOIN: 3\r\n");
  talk.Host(3000, "AT+FW?\r\n").Module(3020, "\r\nsedge 1\r\n\r\n+JOIN: 4\r\n\r\nOK\r\n");
  EXPECT_EQ(Outline(Segments(talk.events())),
            "command AT\\r\\n | reply \\r\\nOK\\r\\n | unsolicited \\r\\n+JOIN: 3\\r\\n | "
            "command AT+FW?\\r\\n | reply \\r\\nsedge 1\\r\\n | unsolicited \\r\\n+JOIN: 4\\r\\n | "
            "reply \\r\\nOK\\r\\n");
}

TEST(Segmenter, GapEndsTheCommand) {
  const auto segments = Segments(
      Talk().Host(0, "AT").Mark(10, EventKind::kGap).Host(20, "+FW?").Module(30, "x").events());
  EXPECT_EQ(Outline(segments), "command AT | gap | command +FW? | reply x");
  EXPECT_EQ(segments[0].ended_by, EndedBy::kGap);
}

TEST(Segmenter, OneSideOnlyIsSplitBySilenceAndSaysSo) {
  const auto segments = Segments(
      Talk().Module(0, "OK").Module(300, "OK").Module(301, "sedge").Module(2000, "OK").events());
  EXPECT_EQ(Outline(segments), "data OK | data OKsedge | data OK");
  EXPECT_STREQ(segments[0].kind_why, "only one side was heard");
}

TEST(Segmenter, BannerBeforeAnyCommand) {
  EXPECT_EQ(Outline(Segments(Talk()
                                 .Module(0, "Sedge B 2.1\r\nready\r\n")
                                 .Host(2000, "AT\r\n")
                                 .Module(2020, "\r\nOK\r\n")
                                 .events())),
            "banner Sedge B 2.1\\r\\nready\\r\\n | command AT\\r\\n | reply \\r\\nOK\\r\\n");
}

TEST(Segmenter, BytesThatCameWithErrorsAreNoReply) {
  Talk talk;
  talk.Host(0, "AT\r");
  for (int i = 0; i < 6; ++i) talk.Say(20 + i, Side::kModule, "\xf8", EventKind::kBadByte);
  talk.Host(900, "AT\r").Module(920, "OK\r\n");
  const auto segments = Segments(talk.events());
  EXPECT_EQ(Outline(segments),
            "command AT\\r | data \\xf8\\xf8\\xf8\\xf8\\xf8\\xf8 | command AT\\r | reply OK\\r\\n");
  for (const Segment& s : segments) {
    if (s.kind == SegmentKind::kData) {
      EXPECT_EQ(s.sure, Sureness::kUnsure);
    }
  }
}

TEST(Segmenter, CommandSentBeforeTheReplyHadEnded) {
  Talk talk;
  talk.Host(0, "AT\r").Module(20, "\r\nOK\r\n").Host(1000, "AT+FW?\r");
  talk.Module(1020, "\r\nsedge").Host(1021, "AT\r").Module(1022, " 2.1\r\n\r\nOK\r\n");
  talk.Module(1050, "\r\nOK\r\n");
  EXPECT_EQ(Outline(Segments(talk.events())),
            "command AT\\r | reply \\r\\nOK\\r\\n | command AT+FW?\\r | "
            "reply \\r\\nsedge 2.1\\r\\n\\r\\nOK\\r\\n | command AT\\r | reply \\r\\nOK\\r\\n");
}

// Ports with 16 ms of lateness each: the echo is stamped before what it echoes.
TEST(Segmenter, EchoThatIsStampedTooEarlyIsStillTheEcho) {
  Talk talk;
  for (int i = 0; i < 4; ++i) {
    const double t = 2000.0 * i;
    talk.Host(t, "status ");
    talk.Module(t + 6, "status no").Host(t + 14, "now\r").Module(t + 22, "w\r");
    talk.Module(t + 60, "level 12\r\n");
  }
  SegmenterOptions options;
  options.stamp_uncertainty = Duration::Milliseconds(16);
  const std::string one = "command status now\\r | echo status now\\r | reply level 12\\r\\n";
  EXPECT_EQ(Outline(Segments(talk.events(), options)),
            one + " | " + one + " | " + one + " | " + one);
}

// No result codes of a standard, but a last line that all answers share.
TEST(Segmenter, LastLineOfAnswersIsLearnt) {
  Talk talk;
  double t = 0;
  for (const char* name : {"tanks", "butts", "taps", "hoses"}) {
    talk.Host(t, Bytes("list ") + name + "\r\n");
    talk.Module(t + 20, Bytes("1: north ") + name + "\r\n2: south\r\ndone\r\n");
    t += 1500;
  }
  // The next command is sent before the answer is over.
  talk.Host(t, "list pipes\r\n").Module(t + 20, "1: red\r\n2: bl").Host(t + 22, "list\r\n");
  talk.Module(t + 24, "ue\r\ndone\r\n1: all\r\ndone\r\n");
  Conventions conventions;
  const std::string outline = Outline(Segments(talk.events(), {}, &conventions));
  EXPECT_THAT(conventions.answer_ends, ::testing::ElementsAre("done\r\n"));
  EXPECT_TRUE(
      outline.ends_with("command list pipes\\r\\n | "
                        "reply 1: red\\r\\n2: blue\\r\\ndone\\r\\n | "
                        "command list\\r\\n | reply 1: all\\r\\ndone\\r\\n"))
      << outline;
}

TEST(Segmenter, PromptEndsTheAnswerThoughItIsNoLine) {
  Talk talk;
  double t = 0;
  for (const char* name : {"north", "south", "east", "west"}) {
    talk.Host(t, Bytes("level ") + name + "\r").Module(t + 9, Bytes(name) + " 40\r\n> ");
    t += 1500;
  }
  talk.Host(t, "level a\rlevel b\r").Module(t + 9, "a 1\r\n> b 2\r\n> ");
  const std::string outline = Outline(Segments(talk.events()));
  EXPECT_TRUE(
      outline.ends_with("command level a\\r | command level b\\r | reply a 1\\r\\n>  | "
                        "reply b 2\\r\\n> "))
      << outline;
}

TEST(Segmenter, UnaskedLineWithANumberIsKnownAgainBeforeAndBehindAnAnswer) {
  Talk talk;
  double t = 0;
  for (const char* name : {"north", "south", "east"}) {
    talk.Host(t, Bytes("level ") + name + "\r").Module(t + 9, Bytes(name) + " 40\r\n");
    talk.Module(t + 1500, "[12:3" + std::to_string(static_cast<int>(t) / 3000) + "] rain\r\n");
    t += 3000;
  }
  talk.Host(t, "level west\r").Module(t + 9, "[13:01] rain\r\nwest 40\r\n");
  talk.Host(t + 900, "level up\r").Module(t + 909, "up 41\r\n[13:02] rain\r\n");
  const std::string outline = Outline(Segments(talk.events()));
  EXPECT_TRUE(
      outline.ends_with("command level west\\r | unsolicited [13:01] rain\\r\\n | "
                        "reply west 40\\r\\n | command level up\\r | reply up 41\\r\\n | "
                        "unsolicited [13:02] rain\\r\\n"))
      << outline;
}

// At 300 baud a long answer takes seconds on the line; that is no wait.
TEST(Segmenter, TimeThatTheBytesTakeIsNoWait) {
  SegmenterOptions options;
  options.character_time = Duration::Microseconds(33333);
  const Bytes answer(90, 'x');
  const auto segments =
      Segments(Talk().Host(0, "A\r").Module(3400, answer + "\r").events(), options);
  EXPECT_EQ(Outline(segments), "command A\\r | reply " + answer + "\\r");
}

TEST(Segmenter, LateAnswerIsKnownByItsEnd) {
  Talk talk;
  double t = 0;
  for (int i = 0; i < 4; ++i, t += 9000) talk.Host(t, "AT\r").Module(t + 20, "\r\nOK\r\n");
  talk.Host(t, "AT+SCAN\r").Module(t + 6000, "\r\nchannel 11\r\n\r\nOK\r\n");
  const auto segments = Segments(talk.events());
  ASSERT_EQ(segments.back().kind, SegmentKind::kReply);
  EXPECT_EQ(segments.back().sure, Sureness::kLikely);
}

// Two commands wait and nothing tells where one answer ends and the next begins.
TEST(Segmenter, AnswersThatRunIntoEachOtherAreUnsure) {
  Talk talk;
  talk.Host(0, "AT").Module(20, "OK").Host(1000, "AT+FW?").Module(1020, "OKsedge");
  talk.Host(2000, "AT").Host(2300, "AT+FW?").Module(2320, "OKOKsedge");
  const auto segments = Segments(talk.events());
  EXPECT_EQ(segments.back().sure, Sureness::kUnsure) << Outline(segments);
}

TEST(Segmenter, DotsWhileTheModuleWorksAndTheEndOfTheLineAreOneReply) {
  Talk talk;
  for (int i = 0; i < 5; ++i) {
    talk.Host(5000 * i, "scan\r");
    for (int k = 0; k < 6; ++k) talk.Module(5000 * i + 30 + 200 * k, ".");
    talk.Module(5000 * i + 1300, "\r\ndone " + std::to_string(i) + "\r\n");
  }
  for (const Segment& s : Segments(talk.events()))
    EXPECT_TRUE(s.side != Side::kModule || s.bytes.starts_with("......\r\ndone ")) << s.bytes;
}

TEST(Segmenter, LineFeedAndCarriageReturnEndALineTogether) {
  Talk talk;
  for (int i = 0; i < 5; ++i)
    talk.Host(1000 * i, "level\n\r").Module(1000 * i + 20, "level 12\n\rok\n\r");
  for (const Segment& s : Segments(talk.events()))
    EXPECT_TRUE(s.side != Side::kHost || s.bytes == "level\n\r") << s.bytes;
}

TEST(Segmenter, BackspacesGivenBackAsBackBlankBackAreEcho) {
  Talk talk;
  double ms = 0;
  const auto type = [&](const Bytes& keys) {
    for (const char c : keys) {
      talk.Host(ms, Bytes(1, c));
      talk.Module(ms + 2, c == '\x7f' ? Bytes("\b \b") : c == '\r' ? Bytes("\r\n") : Bytes(1, c));
      ms += 150;
    }
    talk.Module(ms, "12\r\n$ ");
    ms += 2000;
  };
  for (int i = 0; i < 4; ++i) type("level\r");
  type("lex\x7fvel\r");
  const auto segments = Segments(talk.events());
  EXPECT_NE(
      Outline(segments).find("command lex\\x7fvel\\r | echo lex\\x08 \\x08vel\\r\\n | reply 12"),
      std::string::npos)
      << Outline(segments);
}

TEST(Segmenter, BlockThatBeginsLikeALineIsOne) {
  Talk talk;
  for (int i = 0; i < 8; ++i) {
    const bool like_a_line = i == 6;
    talk.Host(1000 * i, like_a_line ? Bytes("Z\x08\n") : Bytes("Z\x01\x90\xff"));
    talk.Host(1000 * i + 3, like_a_line ? "\xe4\x80" : "\x81\x82");
    talk.Module(1000 * i + 30, "Z\x80");
  }
  std::size_t commands = 0;
  for (const Segment& s : Segments(talk.events()))
    commands += s.kind == SegmentKind::kCommand ? 1u : 0u;
  EXPECT_EQ(commands, 8u);
}

TEST(Segmenter, LineThatComesOnlyAfterOneCommandIsItsSecondAnswer) {
  Talk talk;
  for (int i = 0; i < 6; ++i) {
    talk.Host(20000 * i, "pump 3\r\n").Module(20000 * i + 20, "accepted\r\n");
    talk.Module(20000 * i + 2500, "pumped 12 l\r\n");
    talk.Host(20000 * i + 9000, "level?\r\n").Module(20000 * i + 9020, "level 4\r\n");
  }
  std::size_t second = 0;
  for (const Segment& s : Segments(talk.events())) {
    if (!s.bytes.starts_with("pumped")) continue;
    ++second;
    EXPECT_EQ(s.kind, SegmentKind::kReply);
    EXPECT_EQ(s.turn % 2, 1u);
  }
  EXPECT_EQ(second, 6u);
}

// Two ports whose stamps may each be late by 16 ms.
std::vector<Segment> WithLateStamps(const std::vector<OwnedEvent>& events) {
  SegmenterOptions options;
  options.stamp_uncertainty = Duration::Milliseconds(16);
  return Segments(events, options);
}

TEST(Segmenter, AnswerThatIsStampedBeforeItsCommandIsStillItsAnswer) {
  Talk talk;
  for (int i = 0; i < 12; ++i) {
    const double early = i % 3 == 2 ? -6 : 9;
    talk.Host(1000 * i + 20, "list\n");
    talk.Module(1000 * i + 20 + early,
                std::to_string(i) + " sedge\n" + std::to_string(i) + " fen\n");
    if (i % 2 == 0) talk.Module(1000 * i + 36, "9 brook\n");
  }
  auto events = talk.events();
  std::stable_sort(events.begin(), events.end(), [](const OwnedEvent& a, const OwnedEvent& b) {
    return a.event.at < b.event.at;
  });
  std::size_t replies = 0;
  std::uint64_t turn = 0;
  for (const Segment& s : WithLateStamps(events)) {
    if (s.kind == SegmentKind::kCommand) turn = s.turn;
    if (s.side != Side::kModule) continue;
    EXPECT_EQ(s.turn, turn) << "it does not come behind its command";
    EXPECT_EQ(s.kind, SegmentKind::kReply) << s.bytes;
    ++replies;
  }
  EXPECT_EQ(replies, 12u);
}

TEST(Segmenter, WhatIsKnownToComeUnaskedIsNoEarlyAnswer) {
  Talk talk;
  for (int i = 0; i < 12; ++i) {
    talk.Host(2000 * i + 20, "level\r\n")
        .Module(2000 * i + 30, "level " + std::to_string(i) + "\r\n");
    // By chance just before the next command.
    if (i % 2 == 0) talk.Module(2000 * i + (i < 8 ? 1000 : 2012), "+JOIN: 3\r\n");
  }
  for (const Segment& s : WithLateStamps(talk.events())) {
    if (s.bytes != "+JOIN: 3\r\n") continue;
    EXPECT_EQ(s.kind, SegmentKind::kUnsolicited);
  }
}

// The kinds of what was said, but for silences, and how many are unsure: "CEER?" for a command, two
// echoes and a reply of which nobody is sure.
std::string KindsOf(const std::vector<Segment>& segments) {
  std::string out;
  for (const Segment& s : segments) {
    if (s.bytes.empty()) continue;
    out += s.kind == SegmentKind::kCommand       ? 'C'
           : s.kind == SegmentKind::kReply       ? 'R'
           : s.kind == SegmentKind::kEcho        ? 'E'
           : s.kind == SegmentKind::kUnsolicited ? 'U'
           : s.kind == SegmentKind::kBanner      ? 'B'
                                                 : 'D';
    if (s.sure == Sureness::kUnsure) out += '?';
  }
  return out;
}

std::string Times(int n, const std::string& what) {
  std::string out;
  while (n-- > 0) out += what;
  return out;
}

const std::vector<std::string> kAsked = {"level?", "temp?", "pump 3"};

TEST(Segmenter, EchoWithTheAnswerOnItsLine) {
  Talk talk;
  for (int i = 0; i < 6; ++i) {
    const std::string& asked = kAsked[static_cast<std::size_t>(i) % 3];
    talk.Host(1000 * i, asked + "\r").Module(1000 * i + 8, asked).Module(1000 * i + 15, " 1.2\r\n");
  }
  const auto segments = Segments(talk.events());
  EXPECT_EQ(KindsOf(segments), Times(6, "CER"));
  EXPECT_EQ(segments.back().bytes, " 1.2\r\n");
}

// No pause stands behind what was asked: it is repeated, and not given back.
TEST(Segmenter, AnswerThatRepeatsWhatWasAskedIsNoEcho) {
  Talk talk;
  for (int i = 0; i < 6; ++i) {
    const std::string& asked = kAsked[static_cast<std::size_t>(i) % 3];
    talk.Host(1000 * i, asked + "\r").Module(1000 * i + 15, asked + " 1.2\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(6, "CR"));
  // Where stamps are too late to show a pause nobody can tell.
  EXPECT_EQ(KindsOf(WithLateStamps(talk.events())), Times(6, "CR?"));
}

// An adapter that hands over every 16 ms cuts answers anywhere, but most of them behind what was
// asked: a pause stands there.
TEST(Segmenter, PauseBehindAnEchoShowsInWhereLateReadsAreCut) {
  const auto talk = [](std::size_t behind) {
    Talk out;
    for (int i = 0; i < 24; ++i) {
      const Bytes asked = kAsked[static_cast<std::size_t>(i) % 3];
      const Bytes answer = asked + " = 1.2\r\n";
      const std::size_t cut = i % 2 == 0 ? asked.size() + behind : i % 8 == 1 ? 3 : answer.size();
      out.Host(1000 * i, asked + "\r").Module(1000 * i + 15, answer.substr(0, cut));
      if (cut < answer.size()) out.Module(1000 * i + 31, answer.substr(cut));
    }
    return out.events();
  };
  EXPECT_EQ(KindsOf(WithLateStamps(talk(0))), Times(24, "CER"));
  // Behind " = " the module waits for the value.
  EXPECT_EQ(KindsOf(WithLateStamps(talk(3))), Times(24, "CR?"));
}

// The rest of an answer begins with the byte that the waiting command begins with.
TEST(Segmenter, RestOfTheNextAnswerIsNoEcho) {
  Talk talk;
  std::string kinds;
  for (int i = 0; i < 6; ++i) {
    const double at = 2000 * i;
    talk.Host(at, "get a\n").Module(at + 20, "one 1\n");
    talk.Host(at + 1000, "get b\n").Host(at + 1006, "get c\n");
    talk.Module(at + 1040, "two 2\n").Module(at + 1060, "vi").Module(at + 1062, "gour 3\n");
    kinds += "CRCCRR";
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), kinds);
}

// One wire for both: the host reads its own bytes, and now and then no answer.
TEST(Segmenter, OwnBytesThatNothingFollowsAreACommandOfTheirOwn) {
  Talk talk;
  std::string kinds;
  for (int i = 0; i < 40; ++i) {
    const Bytes frame =
        Bytes("\x55\x01", 2) + static_cast<char>(0x80 + i) + Bytes(1, static_cast<char>(i * 7));
    talk.Host(80 * i, frame).Module(80 * i + 5, frame);
    kinds += "CE";
    if (i % 8 == 5) continue;
    talk.Module(80 * i + 16, Bytes("\x55\x02\x91", 3) + static_cast<char>(i) + "\xe1");
    kinds += 'R';
  }
  std::string found = KindsOf(Segments(talk.events()));
  std::erase(found, '?');
  EXPECT_EQ(found, kinds);
}

TEST(Segmenter, PauseBeforeTheResultCodeIsInsideTheAnswer) {
  Talk talk;
  for (int i = 0; i < 8; ++i) {
    const double at = 4000 * i;
    talk.Host(at, "AT+FW?\r").Module(at + 20, "\r\nsedge\r\n").Module(at + 820, "\r\nOK\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(8, "CR"));
}

TEST(Segmenter, PauseBeforeTheResultCodeOfAModuleHeardAlone) {
  Talk talk;
  for (int i = 0; i < 8; ++i)
    talk.Module(4000 * i, "\r\nsedge\r\n").Module(4000 * i + 250, "\r\nOK\r\n");
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(8, "D"));
}

TEST(Segmenter, WhatIsAlwaysFollowedSoonIsNoEndOfAnAnswer) {
  Talk talk;
  for (int i = 0; i < 8; ++i) {
    const double at = 4000 * i;
    talk.Host(at, i % 2 == 0 ? "measure\r\n" : "unit\r\n");
    talk.Module(at + 20, i % 2 == 0 ? "WAIT\r\n" : "cm\r\n");
    if (i % 2 == 0) talk.Module(at + 270 + i, std::to_string(10 + i) + " cm\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(8, "CR"));
}

// A line that comes all the time follows each answer soon, and is no part of it.
TEST(Segmenter, ValuesToldAllTheTimeAreUnasked) {
  Talk talk;
  std::string kinds;
  for (int i = 0; i < 40; ++i) {
    const double at = 200 * i;
    talk.Module(at, std::to_string(i) + ".5," + std::to_string(100 + i) + "\r\n");
    kinds += 'U';
    if (i % 4 != 3) continue;
    talk.Host(at + 60, "gain " + std::to_string(i % 3) + "\r\n").Module(at + 80, "ok\r\n");
    kinds += "CR";
  }
  std::string found = KindsOf(Segments(talk.events()));
  std::erase(found, '?');
  EXPECT_EQ(found, kinds);
}

TEST(Segmenter, BannerInTheMidstOfAnAnswer) {
  Talk talk;
  talk.Module(0, "sedge boot 1.2\r\nready\r\n");
  for (int i = 0; i < 8; ++i) {
    const double at = 2000 + 2000 * i;
    talk.Host(at, "list\r\n");
    if (i == 5)
      talk.Module(at + 20, "butt 1\r\nbu").Module(at + 600, "sedge boot 1.3\r\nready\r\n");
    else
      talk.Module(at + 20, "butt 1\r\nbutt 2\r\nend\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), "B" + Times(5, "CR") + "CRB" + Times(2, "CR"));
}

// It is an answer, whatever it begins with.
TEST(Segmenter, BannerThatWasAskedForIsAReply) {
  Talk talk;
  talk.Module(0, "sedge boot 1.2\r\nready\r\n");
  for (int i = 0; i < 6; ++i)
    talk.Host(2000 + 2000 * i, "reboot\r\n").Module(2020 + 2000 * i, "sedge boot 1.2\r\nready\r\n");
  EXPECT_EQ(KindsOf(Segments(talk.events())), "B" + Times(6, "CR"));
}

// Settings are answered by nothing: what is answered is the query behind them.
// It comes later than any answer, and repeats what was said at power-up: the module began anew.
TEST(Segmenter, BannerInPlaceOfAnAnswerIsOne) {
  Talk talk;
  talk.Module(0, "brook 2\r\nready\r\n");
  for (int i = 1; i < 10; ++i) {
    talk.Host(2000 * i, "level?\r\n");
    if (i % 4 == 0)
      talk.Module(2000 * i + 700, "brook 2\r\nready\r\n");
    else
      talk.Module(2000 * i + 20, "12\r\nOK\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())),
            "B" + Times(3, "CR") + "CB" + Times(3, "CR") + "CBCR");
}

// The prompt for data, as common practice has it; information of the command's name: V.250 5.4.
TEST(Segmenter, WhatStandsBehindAResultCodeAtOnceMayBelongToTheAnswer) {
  Talk talk;
  for (int i = 0; i < 6; ++i) {
    talk.Host(5000 * i, "AT+SEND=3\r\n").Module(5000 * i + 20, "OK\r\n> ");
    talk.Host(5000 * i + 60, "abc").Module(5000 * i + 90, "OK\r\n");
    talk.Host(5000 * i + 1500, "AT+TEMP?\r\n").Module(5000 * i + 1520, "OK\r\n+TEMP: 3\r\n");
    talk.Host(5000 * i + 3000, "AT+LOCK\r\n").Module(5000 * i + 3020, "OK\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(6, "CRCRCRCR"));
}

TEST(Segmenter, CommandsThatEndWithAByteSeveralTimesAreToldApart) {
  Talk talk;
  for (int i = 0; i < 6; ++i)
    talk.Host(2000 * i,
              "page 1\xff\xff\xff"
              "n0.val=7\xff\xff")
        .Host(2000 * i + 5,
              "\xff"
              "get x\xff\xff\xff");
  const auto segments = Segments(talk.events());
  EXPECT_EQ(KindsOf(segments), Times(6, "CCC"));
  EXPECT_EQ(segments[1].bytes, "n0.val=7\xff\xff\xff");
}

// Values, and what may be one of two: it comes behind each such command, and behind no other.
TEST(Segmenter, SecondAnswersMayDiffer) {
  Talk talk;
  for (int i = 0; i < 20; ++i) {
    const bool measures = i % 2 == 0;
    talk.Host(4000 * i, measures ? "measure\r\n" : "gain 3\r\n").Module(4000 * i + 20, "ok\r\n");
    if (measures)
      talk.Module(4000 * i + 1500, i % 8 == 0 ? "too far\r\n" : std::to_string(70 + i) + "\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(10, "CRRCR"));
}

TEST(Segmenter, LateAnswersAreKnownByTheirCommand) {
  Talk talk;
  for (int i = 0; i < 16; ++i) {
    const bool measures = i % 2 == 0;
    talk.Host(9000 * i, measures ? "measure\r\n" : "gain 3\r\n");
    talk.Module(9000 * i + (measures ? 4500 : 20),
                measures ? std::to_string(70 + i) + " mm\r\n" : "ok\r\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(16, "CR"));
}

TEST(Segmenter, UnaskedLinesAreKnownByTheirFirstCharacter) {
  Talk talk;
  for (int i = 0; i < 16; ++i) {
    const Bytes event = Bytes("*") + static_cast<char>('a' + i) + "x\r\n";
    talk.Host(4000 * i, "level?\r\n");
    if (i > 11)
      talk.Module(4000 * i + 20, event + "level 3\r\nOK\r\n");
    else
      talk.Module(4000 * i + 20, "level 3\r\nOK\r\n").Module(4000 * i + 2000, event);
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(12, "CRU") + Times(4, "CUR"));
}

// The answer ends with what all end with, whatever stands between, seconds apart.
TEST(Segmenter, WhatIsBusySaysSoUntilItIsDone) {
  Talk talk;
  for (int i = 0; i < 16; ++i) {
    talk.Host(9000 * i, i % 2 == 0 ? "home\n" : "move 3\n");
    if (i % 2 == 0) talk.Module(9000 * i + 900, "busy\n").Module(9000 * i + 1900, "busy\n");
    talk.Module(9000 * i + (i % 2 == 0 ? 2900 : 20), "ok\n");
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(16, "CR"));
}

// Passwords.
TEST(Segmenter, StarsInPlaceOfKeysAreAnEcho) {
  Talk talk;
  double at = 0;
  const auto type = [&](ByteView keys, bool hidden) {
    for (std::size_t i = 0; i < keys.size(); ++i, at += 110) {
      talk.Host(at, keys.substr(i, 1));
      talk.Module(at + 2, keys[i] == '\r' ? "\r\n" : hidden ? "*" : keys.substr(i, 1));
    }
  };
  for (int i = 0; i < 4; ++i) {
    type("gardener\r", false);
    talk.Module(at - 95, "password: ");
    at += 2000;
    type("rain\r", true);
    talk.Module(at - 95, "no\r\nlogin: ");
    at += 3000;
  }
  EXPECT_EQ(KindsOf(Segments(talk.events())), Times(8, "CER"));
}

TEST(Segmenter, OfSeveralThatWaitTheLastIsAnswered) {
  Talk talk;
  for (int i = 0; i < 30; ++i) {
    talk.Host(400 * i, "VOLT 3\n");
    if (i % 3 == 0) talk.Host(400 * i + 50, "CURR 2\n");
    talk.Host(400 * i + 100, "VOLT?\n").Module(400 * i + 115, "+3.0\n");
  }
  std::uint64_t turn = 0;
  for (const Segment& s : Segments(talk.events())) {
    if (s.kind == SegmentKind::kCommand) turn = s.turn;
    if (s.side != Side::kModule) continue;
    EXPECT_EQ(s.kind, SegmentKind::kReply);
    EXPECT_EQ(s.turn, turn);
    EXPECT_NE(s.sure, Sureness::kUnsure);
  }
}

// A radio gives what was sent from afar; nothing else takes that long.
TEST(Segmenter, WhatTakesLongAndComesUnaskedTooIsNoAnswer) {
  Talk talk;
  std::string kinds;
  for (int i = 0; i < 6; ++i) {
    const double at = 20'000 * i;
    for (int k = 0; k < 4; ++k)
      talk.Host(at + 500 * k, "ATCH\r")
          .Module(at + 500 * k + 20, std::to_string(10 * i + k) + "\r");
    talk.Host(at + 4000, "level 2\r\n").Module(at + 5700, "far " + std::to_string(i) + "\r\n");
    kinds += "CRCRCRCRCU";
    if (i % 2 == 0) {
      talk.Module(at + 8700, "far 7" + std::to_string(i) + "\r\n");
      kinds += 'U';
    }
  }
  std::string found = KindsOf(Segments(talk.events()));
  std::erase(found, '?');
  EXPECT_EQ(found, kinds);
}

// Records of nine bytes ten times a second, and answers of another kind and size in between, to
// commands that come so many milliseconds behind a record.
void RecordsAndAnswers(double asked, double answered) {
  Talk talk;
  std::string kinds;
  for (int i = 0; i < 80; ++i) {
    const double at = 100 * i;
    talk.Module(at, Bytes("YY\x01\x02\x83\x90", 6) + static_cast<char>(0x80 + i) + "\x05\xff");
    kinds += 'U';
    if (i % 8 != 6) continue;
    talk.Host(at + asked, "\x5a\x04\x81\xdf");
    talk.Module(at + answered, "\x5b\x05\x81\xf1\xd2");
    kinds += "CR";
  }
  std::string found = KindsOf(Segments(talk.events()));
  std::erase(found, '?');
  EXPECT_EQ(found, kinds);
}

TEST(Segmenter, RecordsInAStreamAreWholeAndUnasked) { RecordsAndAnswers(30, 45); }

// No silence is between the answer and the next record.
TEST(Segmenter, RecordSoonBehindAnAnswerIsCutOff) { RecordsAndAnswers(80, 84); }

}  // namespace
}  // namespace witness
