// Each finding has a talk that raises it, and a clean twin that is nearly the same and does not.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>

#include "tests/support/examined.h"
#include "tests/support/talk.h"

namespace witness {
namespace {

using test::Talk;
using ::testing::Contains;
using ::testing::Not;

struct Twins {
  const char* name;
  Talk raises, clean;
};

// One exchange a second with a module that answers as V.250 wants.
Talk Usual(int exchanges = 3) {
  Talk talk;
  for (int i = 0; i < exchanges; ++i)
    talk.Host(1000 * i, "AT+CHAN?\r\n").Module(1000 * i + 60, "\r\n+CHAN: 11\r\n\r\nOK\r\n");
  return talk;
}

std::vector<Twins> AllTwins() {
  std::vector<Twins> out;
  out.push_back({"no-answer", Talk().Host(0, "AT\r\n").Host(2500, "AT\r\n"),
                 Talk().Host(0, "AT\r\n").Host(2500, "AT\r\n").Module(2520, "\r\nOK\r\n")});
  {
    Talk echo_only, echo_and_answer;
    for (int i = 0; i < 4; ++i) {
      echo_only.Host(1000 * i, "AT+FW?\r\n").Module(1000 * i + 3, "AT+FW?\r\n");
      echo_and_answer.Host(1000 * i, "AT+FW?\r\n").Module(1000 * i + 3, "AT+FW?\r\n");
      echo_and_answer.Module(1000 * i + 40, "\r\n2.3\r\n\r\nOK\r\n");
    }
    out.push_back({"only-echo", echo_only, echo_and_answer});
    out.push_back({"echo-on", echo_and_answer, Usual()});
  }
  {
    Talk swapped;
    for (int i = 0; i < 3; ++i)
      swapped.Module(1000 * i, "AT+FW?\r\n").Host(1000 * i + 20, "\r\n2.3\r\n\r\nOK\r\n");
    out.push_back({"sides-swapped", swapped, Usual()});
  }
  {
    Talk rubbish, binary;
    for (int i = 0; i < 4; ++i) {
      rubbish.Host(1000 * i, "AT\r\n").Module(1000 * i + 30, "\xf8\x80\xfe\x06\x98");
      // Modbus is no text either, but its checks fit: V1.02 appendix B has CRC 41 12 for 02 07.
      binary.Host(1000 * i, "\x02\x07\x41\x12").Module(1000 * i + 30, Bytes("\x02\x07\x41\x12"));
    }
    out.push_back({"wrong-rate", rubbish, binary});
  }
  out.push_back(
      {"lost-bytes", Usual().Mark(9000, EventKind::kGap), Usual().Mark(9000, EventKind::kBreak)});
  out.push_back(
      {"command-in-data-mode",
       Usual().Host(9000, "ATD1\r").Module(9030, "\r\nCONNECT\r\n").Host(12000, "AT+FW?\r"),
       Usual()
           .Host(9000, "ATD1\r")
           .Module(9030, "\r\nCONNECT\r\n")
           .Module(11000, "\r\nNO CARRIER\r\n")
           .Host(12000, "AT+FW?\r")
           .Module(12030, "\r\n2.3\r\n\r\nOK\r\n")});
  out.push_back({"command-before-reply-ended",
                 Usual()
                     .Host(9000, "AT+FW?\r\n")
                     .Module(9020, "\r\nsedge")
                     .Host(9022, "AT\r\n")
                     .Module(9024, " 2.3\r\n\r\nOK\r\n")
                     .Module(9060, "\r\nOK\r\n"),
                 Usual()
                     .Host(9000, "AT+FW?\r\n")
                     .Module(9020, "\r\nsedge 2.3\r\n\r\nOK\r\n")
                     .Host(9052, "AT\r\n")
                     .Module(9080, "\r\nOK\r\n")});
  out.push_back({"half-answer", Usual().Host(9000, "AT+CHAN?\r\n").Module(9060, "\r\n+CHA"),
                 Usual().Host(9000, "AT+CHAN?\r\n").Module(9060, "\r\n+CHAN: 1\r\n\r\nOK\r\n")});
  out.push_back({"unanswered", Usual().Host(9000, "AT+NOPE\r\n"), Usual()});
  out.push_back({"cr-in-value",
                 Usual()
                     .Host(9000, "AT+NAME=butt\r\n")
                     .Module(9060, "\r\nOK\r\n")
                     .Host(10000, "AT+NAME?\r\n")
                     .Module(10060, "\r\nbutt\r\r\n\r\nOK\r\n"),
                 Usual()
                     .Host(9000, "AT+NAME=butt\r\n")
                     .Module(9060, "\r\nOK\r\n")
                     .Host(10000, "AT+NAME?\r\n")
                     .Module(10060, "\r\nbutt\r\n\r\nOK\r\n")});
  out.push_back({"mixed-endings", Usual().Host(9000, "AT\r\n").Module(9060, "\r\nOK\r"),
                 Usual().Host(9000, "AT\r\n").Module(9060, "\r\nOK\r\n")});
  out.push_back({"reply-without-ending", Talk().Host(0, "AT").Module(420, "OK"),
                 Talk().Host(0, "AT").Module(420, "OK\r\n")});
  {
    Talk pieces, whole;
    for (int i = 0; i < 3; ++i) {
      pieces.Host(1000 * i, "AT+CHAN?\r\n").Module(1000 * i + 60, "\r\n11\r\n");
      pieces.Module(1000 * i + 110, "\r\nOK\r\n");
      // Two reads, but of bytes that follow each other on the wire: 9600 baud, 1.04 ms each.
      whole.Host(1000 * i, "AT+CHAN?\r\n").Module(1000 * i + 60, "\r\n11\r\n");
      whole.Module(1000 * i + 67, "\r\nOK\r\n");
    }
    out.push_back({"reply-in-pieces", pieces, whole});
  }
  {
    // The unasked line is known from where it stands alone.
    Talk inside = Usual(), outside = Usual();
    for (Talk* talk : {&inside, &outside})
      talk->Module(4000, "\r\n+JOIN: 3\r\n").Module(6000, "\r\n+JOIN: 4\r\n");
    inside.Host(9000, "AT+FW?\r\n").Module(9060, "\r\nsedge 2.3\r\n\r\n+JOIN: 5\r\n\r\nOK\r\n");
    outside.Host(9000, "AT+FW?\r\n").Module(9060, "\r\nsedge 2.3\r\n\r\nOK\r\n");
    out.push_back({"unasked-in-reply", inside, outside});
    out.push_back({"speaks-unasked", outside, Usual()});
  }
  out.push_back({"more-than-the-buffer",
                 Usual().Host(9000, "AT+LIST\r\n").Module(9200, Bytes(63, 'x') + "\r\n"),
                 Usual().Host(9000, "AT+LIST\r\n").Module(9200, Bytes(62, 'x') + "\r\n")});
  out.push_back({"secret", Usual().Host(9000, "AT+KEY=rainbutt7\r\n").Module(9060, "\r\nOK\r\n"),
                 Usual().Host(9000, "AT+KEY=?\r\n").Module(9060, "\r\nOK\r\n")});
  return out;
}

TEST(FindingTwins, OnlyTheOneThatShouldRaisesIt) {
  std::set<std::string> names;
  for (const Twins& twins : AllTwins()) {
    names.insert(twins.name);
    const auto raised = test::ExaminationOf(twins.raises.events());
    EXPECT_THAT(test::NamesOf(raised), Contains(twins.name));
    EXPECT_THAT(test::NamesOf(test::ExaminationOf(twins.clean.events())),
                Not(Contains(twins.name)));
    for (const Finding& finding : raised.findings) {
      if (finding.name != twins.name) continue;
      if (finding.name != "lost-bytes" && finding.name != "mixed-endings") {
        EXPECT_FALSE(finding.evidence.empty()) << finding.name;
      }
    }
  }
  EXPECT_EQ(names.size(), 18u);  // all there are
}

TEST(FindingTwins, EvidenceOfASecretDoesNotGiveItAway) {
  const auto e = test::ExaminationOf(
      Usual().Host(9000, "AT+KEY=rainbutt7\r\n").Module(9060, "\r\nOK\r\n").events());
  for (const Finding& finding : e.findings) {
    if (finding.name != "secret") continue;
    EXPECT_EQ(finding.detail, "key 1 time");
    ASSERT_EQ(finding.evidence.size(), 1u);
    EXPECT_EQ(finding.evidence[0].shown.find("rainbutt7"), std::string::npos);
    EXPECT_NE(finding.evidence[0].shown.find("AT+KEY=*********"), std::string::npos);
  }
}

}  // namespace
}  // namespace witness
