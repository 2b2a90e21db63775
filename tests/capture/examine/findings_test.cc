#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>
#include <tuple>

#include "capture/examine/compare.h"
#include "capture/examine/distribution.h"
#include "capture/examine/examination.h"
#include "capture/examine/finder.h"
#include "capture/examine/silence.h"
#include "tests/support/examined.h"
#include "tests/support/talk.h"
#include "tests/support/waveform.h"

namespace witness {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

using test::CaptureOf;
using test::ExaminationOf;
using test::NamesOf;

// A talk without a fault, and in the midst of it what `event` says.
std::vector<OwnedEvent> GoodTalkWith(std::vector<Event> more) {
  std::vector<OwnedEvent> out = test::Talk().Host(0, "AT\r\n").Module(420, "OK\r\n").events();
  Instant at = out.back().event.at;
  for (Event& event : more) {
    at = at + Duration::Milliseconds(100);
    event.at = at;
    out.emplace_back(event);
  }
  return out;
}

Event LineEvent(EventKind kind, Side side) {
  Event out;
  out.kind = kind;
  out.side = side;
  return out;
}

TEST(Findings, WhatHappenedToTheLine) {
  EXPECT_THAT(NamesOf(ExaminationOf(GoodTalkWith({}))), ElementsAre());

  Event counts = LineEvent(EventKind::kErrorCounts, Side::kModule);
  counts.counts.parity = 1;
  const auto errors = ExaminationOf(GoodTalkWith(
      {LineEvent(EventKind::kBreak, Side::kHost), LineEvent(EventKind::kBreak, Side::kModule)}));
  ASSERT_THAT(NamesOf(errors), ElementsAre("breaks"));
  EXPECT_EQ(errors.findings[0].detail, "once from the host, once from the module");
  EXPECT_EQ(errors.findings[0].count, 2u);

  Event change = LineEvent(EventKind::kLineChange, Side::kModule);
  change.lines = kCts;
  change.changed = kCts | kDsr;
  Event back = change;
  back.lines = 0;
  back.changed = kCts;
  const auto changes = ExaminationOf(GoodTalkWith({change, back}));
  ASSERT_THAT(NamesOf(changes), ElementsAre("lines-changed"));
  EXPECT_EQ(changes.findings[0].detail, "CTS 2 times, DSR once");
  EXPECT_EQ(changes.findings[0].evidence[0].shown, "CTS on, DSR off");

  const auto counted = ExaminationOf(GoodTalkWith({counts}));
  ASSERT_THAT(NamesOf(counted), Contains("bytes-with-errors"));
  EXPECT_EQ(counted.findings[0].detail, "1 parity error counted");

  Event overruns = LineEvent(EventKind::kErrorCounts, Side::kModule);
  overruns.counts.overrun = 3;
  const auto lost = ExaminationOf(GoodTalkWith({overruns}));
  ASSERT_THAT(NamesOf(lost), ElementsAre("lost-bytes"));
  EXPECT_THAT(lost.findings[0].detail, HasSubstr("3 overruns counted"));
}

TEST(Findings, ReplyWithoutEnding) {
  const auto e = ExaminationOf(test::Talk().Host(0, "AT").Module(420, "OK").events());
  EXPECT_THAT(NamesOf(e), ElementsAre("reply-without-ending"));
  EXPECT_EQ(e.findings[0].evidence[0].shown, "OK\u2205");
}

TEST(Findings, MixedEndings) {
  const auto names = NamesOf(ExaminationOf(test::Talk()
                                               .Host(0, "A\r\n")
                                               .Module(20, "x1\r\n")
                                               .Host(900, "B\r\n")
                                               .Module(920, "y2\r")
                                               .events()));
  EXPECT_THAT(names, Contains("mixed-endings"));
}

TEST(Findings, EchoPiecesUnaskedSecretUnanswered) {
  test::Talk talk;
  for (int i = 0; i < 3; ++i) {
    const double t = 4000 * i;
    talk.Host(t, "AT+KEY=butts\r").Module(t + 5, "AT+KEY=butts\r").Module(t + 40, "fine\r\n");
    talk.Module(t + 80, "OK\r\n").Module(t + 2000, "+JOIN: 3\r\n");
  }
  talk.Host(13000, "AT+NOPE\r");
  const auto names = NamesOf(ExaminationOf(talk.events()));
  EXPECT_THAT(names, Contains("echo-on"));
  EXPECT_THAT(names, Contains("reply-in-pieces"));
  EXPECT_THAT(names, Contains("speaks-unasked"));
  EXPECT_THAT(names, Contains("secret"));
  EXPECT_THAT(names, Contains("unanswered"));
  EXPECT_THAT(names, Not(Contains("reply-without-ending")));
}

// UART arithmetic: 64 bytes of 10 bits at 9600 baud take 66.7 ms (frame format common practice).
TEST(Findings, MoreThanTheBuffer) {
  const auto e = ExaminationOf(
      test::Talk().Host(0, "AT+LIST\r\n").Module(200, Bytes(90, 'x') + "\r\n").events());
  EXPECT_THAT(NamesOf(e), Contains("more-than-the-buffer"));
  EXPECT_EQ(e.buffer.largest_reply, 92u);
  EXPECT_NEAR(e.buffer.fills_after.milliseconds(), 66.7, 0.1);
  EXPECT_NEAR(e.buffer.bytes_per_second, 960, 1);
}

TEST(Findings, NoAnswerAtAll) {
  const auto names =
      NamesOf(ExaminationOf(test::Talk().Host(0, "AT\r\n").Host(2500, "AT\r\n").events()));
  EXPECT_THAT(names, ElementsAre("no-answer"));
}

TEST(Findings, CarriageReturnTakenIntoAName) {
  const auto names = NamesOf(ExaminationOf(test::Talk()
                                               .Host(0, "AT+NAME=butt\r\n")
                                               .Module(30, "OK\r\n")
                                               .Host(900, "AT+NAME?\r\n")
                                               .Module(930, "butt\r\r\n")
                                               .events()));
  EXPECT_THAT(names, Contains("cr-in-value"));
}

TEST(Findings, HalfAnswer) {
  const auto names = NamesOf(ExaminationOf(test::Talk()
                                               .Host(0, "AT+FW?\r\n")
                                               .Module(30, "sedge-b 2.1\r\n")
                                               .Host(900, "AT+FW?\r\n")
                                               .Module(930, "sedge-")
                                               .events()));
  EXPECT_THAT(names, Contains("half-answer"));
}

TEST(Findings, CommandInDataMode) {
  const auto names = NamesOf(ExaminationOf(test::Talk()
                                               .Host(0, "AT\r")
                                               .Module(30, "\r\nOK\r\n")
                                               .Host(900, "ATD1\r")
                                               .Module(930, "\r\nCONNECT\r\n")
                                               .Host(3000, "AT+FW?\r")
                                               .events()));
  EXPECT_THAT(names, Contains("command-in-data-mode"));
}

TEST(Findings, LostBytes) {
  test::Talk talk;
  talk.Host(0, "AT\r\n").Module(20, "OK\r\n").Mark(300, EventKind::kGap);
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), Contains("lost-bytes"));
}

TEST(Findings, RubbishAtAWrongRate) {
  test::Talk talk;
  for (int i = 0; i < 4; ++i) {
    talk.Host(1000 * i, "AT\r\n");
    talk.Module(1000 * i + 30, "\xf8\x80\xfe\x06\x98");
  }
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), Contains("wrong-rate"));
}

// What a receiver at one rate makes of text sent at another: tests/support/waveform.h, which knows
// nothing of how the rate is guessed.
TEST(Findings, WrongRateIsNamedWithTheLikelyOne) {
  const char* const replies[] = {"\r\nsedge-b 2.3\r\n\r\nOK\r\n", "\r\n+CHAN: 11\r\n\r\nOK\r\n",
                                 "\r\n-71 dBm\r\n\r\nOK\r\n", "\r\nERROR\r\n"};
  for (const auto& [sent, read, words] :
       {std::tuple{9600u, 19200u, "sent at 9600"}, std::tuple{9600u, 38400u, "sent at 9600"},
        std::tuple{1200u, 9600u, "sent at 1200"}, std::tuple{57600u, 115200u, "sent at 57600"},
        std::tuple{2400u, 115200u, "sent much slower"}, std::tuple{19200u, 9600u, "sent faster"},
        std::tuple{115200u, 57600u, "sent faster"}}) {
    test::Talk talk;
    for (int i = 0; i < 12; ++i) {
      talk.Host(1000 * i, "AT\r\n");
      LineSettings sender, receiver;
      sender.baud = sent;
      receiver.baud = read;
      const Instant at = Instant::FromNanoseconds((1000 * i + 30) * 1'000'000LL);
      for (const ReceivedByte& b : Waveform(at, replies[i % 4], sender).Receive(receiver))
        talk.Say(static_cast<double>(b.at.ns()) / 1e6, Side::kModule, ByteView(&b.byte, 1));
    }
    const auto e = ExaminationOf(talk.events(), read);
    ASSERT_THAT(NamesOf(e), Contains("wrong-rate")) << sent << " read at " << read;
    for (const Finding& finding : e.findings) {
      if (finding.name == "wrong-rate") {
        EXPECT_THAT(finding.detail, HasSubstr(words)) << "read at " << read;
      }
    }
  }
}

TEST(Findings, OnlyItsOwnEchoComesBack) {
  test::Talk talk;
  for (int i = 0; i < 4; ++i) {
    const Bytes command = "AT+FW" + Bytes(1, static_cast<char>('A' + i)) + "\r\n";
    talk.Host(1000 * i, command).Module(1000 * i + 3, command);
  }
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), ElementsAre("only-echo"));
}

TEST(Findings, HostAndModuleSwapped) {
  test::Talk talk;
  for (int i = 0; i < 3; ++i) {
    talk.Module(1000 * i, "AT+FW?\r\n").Host(1000 * i + 20, "\r\nsedge-b 2.3\r\n\r\nOK\r\n");
  }
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), Contains("sides-swapped"));
}

TEST(Findings, CommandBeforeTheLastReplyHadEnded) {
  test::Talk talk;
  talk.Host(0, "AT\r\n").Module(20, "\r\nOK\r\n");
  talk.Host(1000, "AT+FW?\r\n").Module(1020, "\r\nsedge").Host(1022, "AT\r\n");
  talk.Module(1024, " 2.3\r\n\r\nOK\r\n").Module(1060, "\r\nOK\r\n");
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), Contains("command-before-reply-ended"));
}

// V.250 as it should be: every finding of the list has its trap here, and none snaps.
TEST(Findings, CleanCaptureRaisesNone) {
  test::Talk talk;
  const char* const commands[] = {"AT\r\n",       "AT+FW?\r\n", "AT+CHAN=11\r\n",
                                  "AT+CHAN?\r\n", "AT+FW?\r\n", "AT+NAME?\r\n"};
  const char* const replies[] = {
      "\r\nOK\r\n",           "\r\nsedge-b 2.3\r\n\r\nOK\r\n", "\r\nOK\r\n",
      "\r\n11\r\n\r\nOK\r\n", "\r\nsedge-b 2.3\r\n\r\nOK\r\n", "\r\nbutt\r\n\r\nOK\r\n"};
  for (int i = 0; i < 6; ++i) talk.Host(1000 * i, commands[i]).Module(1000 * i + 60, replies[i]);
  EXPECT_THAT(NamesOf(ExaminationOf(talk.events())), ElementsAre());
}

TEST(Silence, LiesBetweenPausesAndSilences) {
  std::vector<Duration> gaps;
  for (int i = 0; i < 20; ++i) gaps.push_back(Duration::Milliseconds(20 + i));
  for (int i = 0; i < 10; ++i) gaps.push_back(Duration::Milliseconds(600 + 40 * i));
  const auto silence = DeriveSilence(gaps, {});
  EXPECT_GT(silence.value, Duration::Milliseconds(39));
  EXPECT_LT(silence.value, Duration::Milliseconds(600));
  EXPECT_EQ(silence.longest_below, Duration::Milliseconds(39));
  EXPECT_EQ(silence.shortest_above, Duration::Milliseconds(600));
  EXPECT_TRUE(silence.clear);
}

TEST(Silence, NeverShorterThanLateStampsCanFeign) {
  SilenceHints hints;
  hints.stamp_uncertainty = Duration::Milliseconds(200);
  EXPECT_GE(DeriveSilence({}, hints).value, Duration::Milliseconds(250));
  // Modbus over Serial Line V1.02, 2.5.1.1: frames are at least 3.5 character times apart.
  hints = {};
  hints.character_time = Duration::Milliseconds(100);
  EXPECT_GE(DeriveSilence({}, hints).value, Duration::Milliseconds(350));
}

TEST(Distribution, QuantilesAreNearestRank) {
  Distribution d;
  for (int i = 100; i >= 1; --i) d.Add(Duration::Milliseconds(i));
  EXPECT_EQ(d.Median(), Duration::Milliseconds(50));
  EXPECT_EQ(d.Quantile(0.95), Duration::Milliseconds(95));
  EXPECT_EQ(d.min(), Duration::Milliseconds(1));
  EXPECT_EQ(d.max(), Duration::Milliseconds(100));
}

TEST(Distribution, ManyValuesStayWithinOnePercent) {
  Distribution d;
  for (int i = 1; i <= 100000; ++i) d.Add(Duration::Microseconds(i));
  EXPECT_EQ(d.count(), 100000u);
  EXPECT_NEAR(d.Median().milliseconds(), 50, 0.5);
  EXPECT_NEAR(d.Quantile(0.95).milliseconds(), 95, 0.95);
  std::uint64_t in_bins = 0;
  for (const auto& bin : d.Octaves()) in_bins += bin.count;
  EXPECT_EQ(in_bins, 100000u);
}

TEST(Distribution, ManyInOneGoAreTheSameAsOneByOne) {
  std::mt19937 random(4);
  Distribution singly, in_one_go;
  for (int round = 0; round < 400; ++round) {
    std::vector<Duration> values(random() % 90);
    for (Duration& value : values)
      value = Duration::Nanoseconds(static_cast<std::int64_t>(random() >> random() % 32) - 5);
    for (const Duration value : values) singly.Add(value);
    in_one_go.Add(values);
    ASSERT_EQ(in_one_go.count(), singly.count());
    ASSERT_EQ(in_one_go.min(), singly.min());
    ASSERT_EQ(in_one_go.max(), singly.max());
    for (const double share : {0.01, 0.5, 0.95})
      ASSERT_EQ(in_one_go.Quantile(share), singly.Quantile(share)) << round;
  }
  EXPECT_GT(singly.count(), Distribution::kExact);
}

WholeConversation ConversationOf(const std::vector<OwnedEvent>& events) {
  const Bytes file = CaptureOf(events);
  auto reader = CaptureReader::OpenMemory(file);
  EXPECT_TRUE(reader.ok());
  return *ReadConversation(**reader);
}

TEST(Compare, AlignsByCommandAcrossAnInsertion) {
  test::Talk a, b;
  const char* const commands[] = {"AT", "AT+FW?", "AT+CHAN?"};
  double t = 0;
  for (const char* command : commands) {
    a.Host(t, Bytes(command) + "\r\n").Module(t + 20, Bytes("re ") + command + "\r\n");
    t += 1000;
  }
  t = 0;
  for (const char* command : {"AT", "AT+NEW?", "AT+FW?", "AT+CHAN?"}) {
    b.Host(t, Bytes(command) + "\r\n");
    b.Module(t + 20, Bytes("re ") + command + (std::string(command) == "AT+CHAN?" ? "\r" : "\r\n"));
    t += 1000;
  }
  const auto comparison = Compare(ConversationOf(a.events()), ConversationOf(b.events()), {});
  EXPECT_EQ(comparison.same, 2u);
  ASSERT_EQ(comparison.differences.size(), 2u);
  EXPECT_EQ(comparison.differences[0].kind, Difference::Kind::kOnlyInSecond);
  EXPECT_EQ(comparison.differences[0].second, 1u);
  EXPECT_EQ(comparison.differences[1].kind, Difference::Kind::kChanged);
  EXPECT_THAT(comparison.differences[1].what[0], HasSubstr("line endings"));
  EXPECT_TRUE(
      Compare(ConversationOf(a.events()), ConversationOf(a.events()), {}).differences.empty());
}

std::vector<Match> Found(Result<std::unique_ptr<Finder>> finder,
                         const std::vector<OwnedEvent>& events, std::vector<Match>& matches) {
  EXPECT_TRUE(finder.ok()) << finder.status().message();
  std::uint64_t index = 0;
  for (const OwnedEvent& e : events) (*finder)->Take(e.View(), index++);
  (*finder)->Finish();
  return matches;
}

TEST(Finder, FindsAcrossReadsWithSideAndTime) {
  const auto events =
      test::Talk().Host(0, "AT\r").Module(10, "xsed").Host(11, "ge").Module(12, "ge-b").events();
  std::vector<Match> matches;
  const auto keep = [&](const Match& m) { matches.push_back(m); };
  Found(Finder::ForBytes("sedge", keep), events, matches);
  ASSERT_EQ(matches.size(), 1u);
  EXPECT_EQ(matches[0].side, Side::kModule);
  EXPECT_EQ(matches[0].event, 1u);
  EXPECT_EQ(matches[0].offset, 1u);
  EXPECT_EQ(matches[0].at.ns(), 10'000'000);
  matches.clear();
  Found(Finder::ForExpression("s[a-z]+-[ab]", keep), events, matches);
  ASSERT_EQ(matches.size(), 1u);
  EXPECT_EQ(matches[0].bytes, "sedge-b");
  EXPECT_FALSE(Finder::ForExpression("(", keep).ok());
  EXPECT_FALSE(Finder::ForBytes("", keep).ok());
}

TEST(Finder, DoesNotFindAcrossAGap) {
  std::vector<Match> matches;
  Found(Finder::ForBytes("OK", [&](const Match& m) { matches.push_back(m); }),
        test::Talk().Module(0, "O").Mark(1, EventKind::kGap).Module(2, "K").events(), matches);
  EXPECT_TRUE(matches.empty());
}

TEST(Finder, FindsAllInALongStreamHoweverItIsCut) {
  test::Talk talk;
  Bytes all;
  for (int i = 0; i < 60000; ++i) all += i % 997 == 0 ? "OK" : "ab";
  for (std::size_t at = 0, n = 1; at < all.size(); at += n, n = n % 777 + 1)
    talk.Module(static_cast<double>(at) / 100, all.substr(at, n));
  for (const bool expression : {false, true}) {
    std::vector<Match> matches;
    const auto keep = [&](const Match& m) { matches.push_back(m); };
    Found(expression ? Finder::ForExpression("OK", keep) : Finder::ForBytes("OK", keep),
          talk.events(), matches);
    ASSERT_EQ(matches.size(), 61u);
    for (const Match& m : matches) EXPECT_EQ(talk.events()[m.event].bytes[m.offset], 'O');
  }
}

}  // namespace
}  // namespace witness
