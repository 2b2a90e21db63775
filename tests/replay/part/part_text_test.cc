#include "replay/part/part_text.h"

#include <gtest/gtest.h>

#include "capture/base/text.h"

namespace trial {
namespace {

using witness::Code;

Part FullPart() {
  Part part;
  part.name = "Sedge \"C\"";
  part.line.baud = 19200;
  part.line.parity = witness::Parity::kEven;
  part.command_end.terminators = {"\r", "\r\n"};
  part.command_end.silence = Duration::Milliseconds(400);
  part.echo = Echo::kWhole;
  part.echo_delay = Duration::Nanoseconds(1'041'667);
  part.rules = {
      {{Match::kExact, Bytes("A\0\xff\r", 4), false}, {{{{Duration::Zero(), "x"}}, 1}}},
      {{Match::kPattern, "AT\\+KEY=.*", false},
       {{{{Duration::Milliseconds(20), "OK"}, {Duration::Milliseconds(35), "\r\n"}}, 2}, {}}},
  };
  part.unknown = Answer{{{Duration::Microseconds(1500), "ERROR\r\n"}}};
  part.unasked = {
      {Duration::Seconds(2), std::nullopt, Duration::Seconds(10), {{Duration::Zero(), "+JOIN: 3"}}},
      {std::nullopt, 3u, std::nullopt, {{Duration::Milliseconds(5), "+LEFT"}}},
      {std::nullopt, std::nullopt, std::nullopt, {{Duration::Zero(), "READY"}}, 1u}};
  part.following = Following::kInOrder;
  part.sleeps_after = Duration::Milliseconds(4500);
  return part;
}

std::string ErrorOf(std::string_view text) {
  const auto part = ParsePart(text);
  if (part.ok()) return "no error";
  EXPECT_EQ(part.status().code(), Code::kInvalidArgument);
  return part.status().message();
}

TEST(PartText, WrittenPartReadsBackEqual) {
  const Part part = FullPart();
  const auto read = ParsePart(FormatPart(part));
  ASSERT_TRUE(read.ok()) << read.status().message() << FormatPart(part);
  EXPECT_EQ(*read, part);
}

TEST(PartText, HostPartReadsBackEqual) {
  Part part;
  part.plays = witness::Side::kHost;
  part.asks = {{Duration::Milliseconds(100), "AT\r\n", {{Duration::Milliseconds(20), "OK\r\n"}}}};
  const auto read = ParsePart(FormatPart(part));
  ASSERT_TRUE(read.ok()) << read.status().message();
  EXPECT_EQ(*read, part);
}

TEST(PartText, SerializedPartReadsBackEqual) {
  const auto read = DeserializePart(SerializePart(FullPart()));
  ASSERT_TRUE(read.ok()) << read.status().message();
  EXPECT_EQ(*read, FullPart());
}

TEST(PartText, RubbishIsNoSerializedPart) {
  EXPECT_FALSE(DeserializePart("\xff\xff\xff\xff").ok());
}

TEST(PartText, SyntaxErrorNamesLineAndColumn) {
  EXPECT_EQ(ErrorOf("name: \"x\"\nbaud 3\n").substr(0, 4), "2:6:");
}

TEST(PartText, WrongLengthOfTimeNamesLineAndColumn) {
  const std::string error = ErrorOf(
      "command_end { terminator: \"\\r\" }\n"
      "rule {\n"
      "  command: \"AT\"\n"
      "  answer {\n"
      "    piece { say: \"OK\" after: \"soon\" }\n"
      "  }\n"
      "}\n");
  EXPECT_EQ(error.substr(0, 12), "5:23: after:") << error;
  EXPECT_NE(error.find("soon"), std::string::npos) << error;
}

TEST(PartText, MissingFieldNamesTheMessageThatLacksIt) {
  const std::string error = ErrorOf("unknown {\n  piece { after: \"1s\" }\n}\n");
  EXPECT_EQ(error.substr(0, 7), "2:3: sa") << error;
}

TEST(PartText, WrongPatternNamesItsPlace) {
  const std::string error =
      ErrorOf("command_end { silence: \"1s\" }\nrule { match: MATCH_PATTERN command: \"AT(\" }\n");
  EXPECT_EQ(error.substr(0, 5), "2:29:") << error;
}

TEST(PartText, WrongCharacterFormatNamesItsPlace) {
  EXPECT_EQ(ErrorOf("line {\n  baud: 9600 format: \"9Q1\" }").substr(0, 5), "2:14:");
}

TEST(PartText, RulesWithoutCommandEndAreRefused) {
  EXPECT_NE(ErrorOf("rule { command: \"AT\" }").find("command_end"), std::string::npos);
}

TEST(PartText, UnaskedNeedsExactlyOneMoment) {
  EXPECT_NE(ErrorOf("unasked { piece { say: \"x\" } }").find("after_command"), std::string::npos);
  EXPECT_NE(
      ErrorOf("unasked { at: \"1s\" after_command: 2 piece { say: \"x\" } }").find("after_command"),
      std::string::npos);
}

TEST(PartText, HostPartWithRulesIsRefused) {
  EXPECT_NE(ErrorOf("plays: PLAYS_HOST rule { command: \"AT\" }").find("no rules"),
            std::string::npos);
}

// Such a part could be written as text, but not as a message.
TEST(PartText, NamesThatAreNotUtf8AreRefusedWithTheirPlace) {
  EXPECT_EQ(ErrorOf("# a part\n  name: \"\\377x\""),
            "2:3: name: not UTF-8; only what is said on the line may hold any bytes");
  EXPECT_NE(ErrorOf("command_end { silence: \"\\200\" }").find("1:15: silence: not UTF-8"),
            std::string::npos);
  // RFC 3629 section 10 and its grammar in section 4: overlong, a surrogate, above U+10FFFF, cut.
  for (const char* bad : {"\\300\\200", "\\340\\200\\200", "\\355\\240\\200",
                          "\\364\\220\\200\\200", "\\365\\200\\200\\200", "a\\342\\211", "\\200"}) {
    EXPECT_NE(ErrorOf(std::string("name: \"") + bad + "\"").find("not UTF-8"), std::string::npos)
        << bad;
  }
  // Section 7's examples.
  for (const char* good : {"A\u2262\u0391.", "\ud55c\uad6d\uc5b4", "\U000233b4"}) {
    const auto part = ParsePart(std::string("name: \"") + good + "\"");
    ASSERT_TRUE(part.ok()) << part.status().message();
    const auto again = DeserializePart(SerializePart(*part));
    ASSERT_TRUE(again.ok());
    EXPECT_EQ(again->name, good);
  }
  // What is said may be any bytes.
  EXPECT_TRUE(ParsePart("command_end { terminator: \"\\377\" }").ok());
}

TEST(PartText, MissingFileNamesIt) {
  const auto part = LoadPart("/nonexistent/part.textproto");
  ASSERT_FALSE(part.ok());
  EXPECT_EQ(part.status().code(), Code::kNotFound);
  EXPECT_NE(part.status().message().find("/nonexistent/part.textproto"), std::string::npos);
}

TEST(PartText, ExactDurationsReadBack) {
  for (const std::int64_t ns : {0LL, 1LL, 999LL, 1000LL, 1'041'667LL, 35'000'000LL, 999'999'999LL,
                                1'000'000'001LL, 86'400'000'000'001LL}) {
    const Duration d = Duration::Nanoseconds(ns);
    const auto read = witness::ParseDuration(FormatExactDuration(d));
    ASSERT_TRUE(read.ok()) << FormatExactDuration(d);
    EXPECT_EQ(read->ns(), ns) << FormatExactDuration(d);
  }
  EXPECT_EQ(FormatExactDuration(Duration::Microseconds(1500)), "1.5ms");
}

}  // namespace
}  // namespace trial
