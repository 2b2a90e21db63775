// What looks like a secret and what does not, and where it stands in the events.
#include "capture/examine/secrets.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

#include "tests/support/talk.h"

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

// "key:butts" of each secret.
std::vector<std::string> Of(ByteView bytes, bool of_host = true) {
  std::vector<std::string> out;
  for (const Secret& s : SecretsIn(bytes, of_host))
    out.push_back(std::string(SecretKindName(s.kind)) + ":" +
                  std::string(bytes.substr(s.from, s.size)));
  return out;
}

TEST(Secrets, ValuesOfNames) {
  EXPECT_THAT(Of("AT+KEY=rainbutt7\r\n"), ElementsAre("key:rainbutt7"));
  EXPECT_THAT(Of("at+appkey=00112233\r"), ElementsAre("key:00112233"));
  EXPECT_THAT(Of("AT+CPIN=\"4711\"\r"), ElementsAre("PIN:4711"));
  EXPECT_THAT(Of("{\"ssid\":\"plot\",\"password\":\"wet feet\",\"n\":3}"),
              ElementsAre("password:wet feet"));
  EXPECT_THAT(Of("net_key=abc,chan=3\n"), ElementsAre("key:abc"));
  EXPECT_THAT(Of("set key rainbutt7\r"), ElementsAre("key:rainbutt7"));
  EXPECT_THAT(Of("pass: a, b and c\r\n", false), ElementsAre("password:a, b and c"));
  EXPECT_THAT(Of("+DEVEUI: 70B3D57ED0000001\r\n", false), ElementsAre("address:70B3D57ED0000001"));
  EXPECT_THAT(Of("lat=-12.345 lon=130.25\r\n", false),
              ElementsAre("position:-12.345", "position:130.25"));
}

TEST(Secrets, Forms) {
  EXPECT_THAT(Of("peer 02:00:5e:10:00:01 up\r\n", false), ElementsAre("address:02:00:5e:10:00:01"));
  EXPECT_THAT(Of("02-00-5E-10-00-00-00-01\r\n", false),
              ElementsAre("address:02-00-5E-10-00-00-00-01"));
  EXPECT_THAT(Of("ip 192.0.2.17\r\n", false), ElementsAre("address:192.0.2.17"));
  EXPECT_THAT(Of("to warden@allotment.example now", false),
              ElementsAre("address:warden@allotment.example"));
  EXPECT_THAT(Of("ATD+15550100123;\r"), ElementsAre("telephone number:+15550100123"));
  EXPECT_THAT(Of("at -47.28521, 8.56525\r\n", false), ElementsAre("position:-47.28521, 8.56525"));
}

// A sentence in the form that python3-nmea2 makes (see reference/make_reference.py).
TEST(Secrets, PositionOfASentence) {
  EXPECT_THAT(Of("$GNRMC,120000,A,5112.3456,N,00012.3456,W,0.1,90.0,251126,,*2D\r\n", false),
              ElementsAre("position:5112.3456,N,00012.3456,W"));
}

TEST(Secrets, CleanTwins) {
  for (const char* clean : {"AT+KEY?\r",
                            "AT+KEY=?\r",
                            "AT+KEYS=4\r",
                            "AT+PING=4711\r",
                            "PIN=13\r",
                            "ADDR=17\r",
                            "sedge-b v1.2.3.4\r\n",
                            "1.2.3\r\n",
                            "12:30:05\r\n",
                            "12-30-05\r\n",
                            "2026-11-25 10:20\r\n",
                            "+JOIN: 3\r\n",
                            "level=12.3456\r\n",
                            "pH 7.1, 8.2\r\n",
                            "+CHAN: 11\r\n",
                            "1200.5,3400.25\r\n",
                            "monitor: on\r\n",
                            "a@b",
                            "01 02 03 04 05 06\r\n",
                            "latency=4.25\r\n",
                            "+1234567\r\n"})
    EXPECT_THAT(Of(clean), IsEmpty()) << clean;
  EXPECT_THAT(Of("press any key to go on\r\n", false), IsEmpty());
}

struct Seen {
  std::string kind, value;
  std::vector<EventRange> ranges;
};

std::vector<Seen> SeenIn(const test::Talk& talk) {
  std::vector<Seen> out;
  SecretFinder finder([&](const Segment& segment, const Secret& s) {
    out.push_back({SecretKindName(s.kind), segment.bytes.substr(s.from, s.size),
                   RangesOf(segment, s.from, s.size)});
  });
  for (const Segment& segment : test::Segments(talk.events())) finder.Take(segment);
  return out;
}

TEST(Secrets, AnswerToACommandThatAsksForOne) {
  test::Talk talk;
  talk.Host(0, "AT+KEY?\r").Module(20, "rainbutt7\r\nOK\r\n");
  talk.Host(900, "AT+FW?\r").Module(920, "sedge-b 2.1\r\nOK\r\n");
  talk.Host(1900, "AT+NOTE?\r").Module(1920, "try rainbutt7 here\r\nOK\r\n");
  const auto seen = SeenIn(talk);
  ASSERT_EQ(seen.size(), 2u);
  EXPECT_EQ(seen[0].value, "rainbutt7");
  EXPECT_EQ(seen[1].value, "rainbutt7");  // known by now
}

// Each byte of it can be found in the capture, in echoes and across events too.
TEST(Secrets, RangesReachAcrossEvents) {
  test::Talk talk;
  talk.Host(0, "AT+K").Host(1, "EY=rain").Host(2, "butt7\rAT");
  const auto& events = talk.events();
  for (const Seen& seen : SeenIn(talk)) {
    Bytes value;
    for (const EventRange& range : seen.ranges)
      value += events[range.event].bytes.substr(range.offset, range.size);
    EXPECT_EQ(value, "rainbutt7");
    ASSERT_EQ(seen.ranges.size(), 2u);
    EXPECT_EQ(seen.ranges[1].offset, 0u);
  }
  EXPECT_EQ(SeenIn(talk).size(), 1u);
  test::Talk echoed;
  for (int i = 0; i < 3; ++i) {
    const double t = 2000 * i;
    echoed.Host(t, "AT+KEY=rainbutt7\r").Module(t + 5, "AT+KEY=rain").Module(t + 12, "butt7\r");
    echoed.Module(t + 40, "OK\r\n");
  }
  EXPECT_EQ(SeenIn(echoed).size(), 6u);
}

// Of every sixteen whether something of a run of four printable bytes stands in it.
std::vector<std::uint64_t> SixteensWithRuns(ByteView bytes) {
  std::vector<std::uint64_t> out(bytes.size() / (16 * 64) + 1);
  std::size_t run = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    run = bytes[i] >= 0x20 && bytes[i] < 0x7f ? run + 1 : 0;
    if (run < kLeastRun) continue;
    for (std::size_t k = i + 1 - run; k <= i; ++k)
      out[k / 16 / 64] |= std::uint64_t{1} << k / 16 % 64;
  }
  return out;
}

TEST(Secrets, AreFoundInBytesOfAnySortWhereOnlySixteensWithRunsAreLookedAt) {
  std::mt19937 random(9);
  const std::vector<std::string> pieces = {"pwd=a",
                                           "AT+KEY=rainbutt7\r",
                                           "a@b.c",
                                           "4916.45,N,12311.12,W",
                                           "47.28521,8.56525",
                                           "02:00:5e:10:00:01",
                                           "+4112345678",
                                           "...",
                                           "token: xyz"};
  std::size_t found = 0;
  for (int round = 0; round < 3000; ++round) {
    Bytes bytes;
    const std::size_t size = random() % 2500;
    while (bytes.size() < size) {
      const std::size_t n = random() % 60;
      for (std::size_t i = 0; i < n; ++i) bytes += static_cast<char>(random());
      if (random() % 3 == 0) bytes += pieces[random() % pieces.size()];
    }
    const std::vector<Secret> all = SecretsIn(bytes, true);
    std::vector<Secret> here;
    FindSecrets(bytes, true, SixteensWithRuns(bytes), here);
    ASSERT_EQ(here.size(), all.size()) << round;
    for (std::size_t i = 0; i < all.size(); ++i) {
      EXPECT_EQ(here[i].kind, all[i].kind);
      EXPECT_EQ(here[i].from, all[i].from);
      EXPECT_EQ(here[i].size, all[i].size);
    }
    found += all.size();
  }
  EXPECT_GT(found, 1000u);
}

}  // namespace
}  // namespace witness
