// Protocols against published values and against reference libraries (reference/).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <random>
#include <sstream>

#include "capture/examine/protocols/checksum.h"
#include "capture/examine/protocols/frame_rule.h"
#include "capture/examine/protocols/guess_checksum.h"
#include "capture/examine/protocols/hdlc.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/protocols/modbus_crc.h"
#include "capture/examine/protocols/nmea.h"
#include "capture/examine/protocols/slip.h"
#include "capture/examine/protocols/v250.h"
#include "tests/support/talk.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

struct Fact {
  std::string what, name;
  Bytes bytes;
};

// Made by python3-pymodbus, python3-nmea2 and python3-crcmod: reference/make_reference.py.
std::vector<Fact> Reference(const std::string& what) {
  std::ifstream in(std::string(BYTEWITNESS_SOURCE_DIR) +
                   "/tests/capture/examine/reference/reference.txt");
  std::vector<Fact> out;
  std::string line;
  while (std::getline(in, line)) {
    std::istringstream fields(line);
    Fact fact;
    std::string hex;
    std::getline(fields, fact.what, '\t');
    std::getline(fields, fact.name, '\t');
    std::getline(fields, hex, '\t');
    if (fact.what != what) continue;
    fact.bytes = *FromHex(hex);
    out.push_back(fact);
  }
  EXPECT_FALSE(out.empty()) << what;
  return out;
}

TEST(Checksum, CheckValuesOfTheCatalogue) {
  for (const CrcModel& model : CrcCatalogue())
    EXPECT_EQ(ComputeCrc(model, "123456789"), model.check) << model.name;
}

// CRC catalogue check values, and RFC 1662's and RFC 3720's polynomials among them.
TEST(Checksum, WellKnownCheckValues) {
  EXPECT_EQ(FindChecksum("crc-16/modbus")->Of("123456789"), 0x4B37u);
  EXPECT_EQ(FindChecksum("CRC-16/IBM-SDLC")->Of("123456789"), 0x906Eu);
  EXPECT_EQ(FindChecksum("CRC-32/ISO-HDLC")->Of("123456789"), 0xCBF43926u);
  EXPECT_EQ(FindChecksum("CRC-32/ISCSI")->Of("123456789"), 0xE3069283u);
  EXPECT_EQ(FindChecksum("no such"), nullptr);
}

TEST(Checksum, AgreesWithTheReferenceLibrary) {
  const Bytes message("\x00\xffSedge B 2.1\r\n\x80", 16);
  for (const Fact& fact : Reference("crc")) {
    const Checksum* checksum = FindChecksum(fact.name);
    ASSERT_NE(checksum, nullptr) << fact.name;
    EXPECT_EQ(checksum->Of(message), NumberFrom(fact.bytes, true)) << fact.name;
  }
}

// Modbus over Serial Line V1.02, appendix B: frame 02 07 gives CRC low byte first 41 12.
TEST(Modbus, CrcFitsFramesOfAnyLengthAndNoneWithABitChanged) {
  std::mt19937 random(7);
  for (std::size_t size = 2; size <= 300; ++size) {
    Bytes frame;
    for (std::size_t i = 0; i < size; ++i) frame += static_cast<char>(random());
    unsigned crc = modbus::kCrcStart;
    for (const char c : frame) crc = modbus::AddToCrc(crc, c);
    frame += {static_cast<char>(crc & 0xff), static_cast<char>(crc >> 8)};
    ASSERT_TRUE(modbus::CrcFits(frame)) << size;
    ASSERT_TRUE(modbus::CrcFitsByTable(frame)) << size;
    for (std::size_t bit = 0; bit < 8 * frame.size(); bit += 1 + random() % 5) {
      Bytes other = frame;
      other[bit / 8] = static_cast<char>(other[bit / 8] ^ 1 << bit % 8);
      ASSERT_FALSE(modbus::CrcFits(other)) << size << " bit " << bit;
      ASSERT_FALSE(modbus::CrcFitsByTable(other)) << size << " bit " << bit;
      // Two more changes may make it fit again, as chance has it: then for both.
      for (int i = 0; i < 2; ++i) other[random() % other.size()] = static_cast<char>(random());
      ASSERT_EQ(modbus::CrcFits(other), modbus::CrcFitsByTable(other));
    }
  }
}

TEST(Modbus, CrcOfTheStandardsExample) {
  EXPECT_EQ(modbus::RtuFrameAt(Bytes("\x02\x07\x41\x12", 4)), 4u);
  EXPECT_EQ(modbus::RtuFrameAt(Bytes("\x02\x07\x12\x41", 4)), 0u);
}

TEST(Modbus, RtuFramesOfTheReferenceLibraryAreNamed) {
  for (const auto& [what, role, words] :
       {std::tuple{"rtu-request", modbus::Role::kRequest, "request to 17"},
        std::tuple{"rtu-response", modbus::Role::kResponse, "from 17"}}) {
    for (const Fact& fact : Reference(what)) {
      ASSERT_EQ(modbus::RtuFrameAt(fact.bytes), fact.bytes.size()) << fact.name;
      const std::string said = modbus::DescribeRtu(fact.bytes, role);
      const std::string function = fact.name.substr(0, fact.name.find(" exception"));
      EXPECT_THAT(said, HasSubstr("Modbus RTU " + function));
      EXPECT_THAT(said, HasSubstr(words));
    }
  }
  // Function 83 hex with code 2: "illegal data address" (Application Protocol V1.1b3, 7).
  EXPECT_THAT(modbus::DescribeRtu(*FromHex("118302c134"), modbus::Role::kResponse),
              HasSubstr("exception from 17: illegal data address"));
}

TEST(Modbus, AsciiFramesOfTheReferenceLibraryAreNamed) {
  for (const char* what : {"ascii-request", "ascii-response"}) {
    for (const Fact& fact : Reference(what)) {
      ASSERT_EQ(modbus::AsciiFrameAt(fact.bytes), fact.bytes.size()) << fact.name;
      EXPECT_THAT(modbus::DescribeAscii(fact.bytes, modbus::Role::kUnknown),
                  HasSubstr("Modbus ASCII " + fact.name.substr(0, fact.name.find(" exception"))));
      Bytes wrong = fact.bytes;
      wrong[1] = wrong[1] == '1' ? '2' : '1';
      EXPECT_EQ(modbus::AsciiFrameAt(wrong), 0u) << fact.name;
    }
  }
}

// Requests and replies of a whole conversation, the replies to writes being equal to the requests.
TEST(Modbus, ConversationIsSegmentedAndNamed) {
  const auto requests = Reference("rtu-request");
  const auto responses = Reference("rtu-response");
  test::Talk talk, wire;
  double ms = 0;
  for (std::size_t i = 0; i < requests.size(); ++i) {
    talk.Host(ms, requests[i].bytes).Module(ms + 20, responses[i].bytes);
    wire.Unknown(ms, requests[i].bytes).Unknown(ms + 4, responses[i].bytes);
    ms += 300;
  }
  for (const auto* events : {&talk.events(), &wire.events()}) {
    Conventions conventions;
    const auto segments = test::Segments(*events, {}, &conventions);
    EXPECT_EQ(conventions.framing, Framing::kModbusRtu);
    std::vector<Segment> frames;
    for (const Segment& s : segments)
      if (!s.bytes.empty()) frames.push_back(s);
    ASSERT_EQ(frames.size(), 2 * requests.size()) << test::Outline(segments);
    for (std::size_t i = 0; i < requests.size(); ++i) {
      EXPECT_EQ(frames[2 * i].kind, SegmentKind::kCommand) << i;
      EXPECT_EQ(frames[2 * i].bytes, requests[i].bytes) << i;
      EXPECT_THAT(ProtocolOf(frames[2 * i]), HasSubstr("request to 17"));
      EXPECT_EQ(frames[2 * i + 1].kind, SegmentKind::kReply) << i;
      EXPECT_EQ(frames[2 * i + 1].bytes, responses[i].bytes) << i;
      EXPECT_EQ(frames[2 * i + 1].turn, frames[2 * i].turn) << i;
    }
  }
}

// Modbus over Serial Line V1.02, 2.5.1.1: 3.5 and 1.5 character times; above 19200 baud fixed at
// 1.750 ms and 750 us. A character is 11 bits.
TEST(Modbus, SilencesOfTheStandard) {
  const auto character = [](double baud) {
    return Duration::Nanoseconds(static_cast<std::int64_t>(11e9 / baud));
  };
  EXPECT_NEAR(modbus::FrameSilence(character(9600)).milliseconds(), 4.01, 0.01);
  EXPECT_NEAR(modbus::CharacterPause(character(9600)).milliseconds(), 1.72, 0.01);
  EXPECT_NEAR(modbus::FrameSilence(character(19200)).milliseconds(), 2.005, 0.01);
  EXPECT_EQ(modbus::FrameSilence(character(38400)), Duration::Microseconds(1750));
  EXPECT_EQ(modbus::CharacterPause(character(38400)), Duration::Microseconds(750));
  EXPECT_EQ(modbus::FrameSilence(Duration::Zero()), Duration::Zero());
}

// A frame whose check fails is cut from the next by the silence between them, though that is much
// shorter than what separates utterances here; and a pause longer than t1.5 inside one is told.
TEST(Modbus, SilenceOfT35CutsAndPauseOfT15IsTold) {
  const Bytes good = Reference("rtu-request")[0].bytes;
  Bytes broken = good;
  broken[3] ^= 0x55;
  test::Talk talk;
  double at = 0;
  for (int i = 0; i < 6; ++i, at += 500) talk.Unknown(at, good);
  talk.Unknown(at, broken).Unknown(at + 20, broken);  // 8 characters take 9.2 ms: idle for 10.8
  at += 500;
  talk.Unknown(at, good.substr(0, 4)).Unknown(at + 7.5, good.substr(4));  // idle for 2.9
  at += 500;
  talk.Unknown(at, good.substr(0, 4)).Unknown(at + 5.5, good.substr(4));  // idle for 0.9
  SegmenterOptions options;
  options.character_time = Duration::Nanoseconds(static_cast<std::int64_t>(11e9 / 9600));
  options.silence = Duration::Milliseconds(100);
  std::vector<Segment> frames;
  for (const Segment& s : test::Segments(talk.events(), options))
    if (!s.bytes.empty()) frames.push_back(s);
  ASSERT_EQ(frames.size(), 10u);
  EXPECT_EQ(frames[6].bytes, broken);
  EXPECT_EQ(frames[7].bytes, broken);
  EXPECT_EQ(frames[6].sure, Sureness::kUnsure);
  EXPECT_EQ(ProtocolOf(frames[6]), "");
  EXPECT_THAT(ProtocolOf(frames[8]), HasSubstr("t1.5"));
  EXPECT_EQ(frames[9].bytes, good);
  EXPECT_EQ(ProtocolOf(frames[9]).find("t1.5"), std::string::npos);
}

TEST(Nmea, SentencesOfTheReferenceLibrary) {
  Bytes stream;
  for (const Fact& fact : Reference("nmea")) {
    ASSERT_EQ(nmea::SentenceAt(fact.bytes), fact.bytes.size()) << fact.name;
    EXPECT_EQ(nmea::Describe(fact.bytes), "NMEA 0183 " + fact.name);
    Bytes wrong = fact.bytes;
    wrong[3] ^= 1;
    EXPECT_EQ(nmea::SentenceAt(wrong), 0u);
    stream += fact.bytes;
  }
  // Said in one go, they are still one segment each.
  const auto segments = test::Segments(test::Talk().Module(0, stream).Module(100, stream).events());
  std::size_t sentences = 0;
  for (const Segment& s : segments) sentences += ProtocolOf(s).starts_with("NMEA 0183") ? 1u : 0u;
  EXPECT_EQ(sentences, 6u) << test::Outline(segments);
}

// RFC 1055: END C0, ESC DB, ESC_END DC, ESC_ESC DD.
TEST(Slip, EscapesOfTheStandard) {
  const Bytes packet("\xC0\x01\xDB\xDC\x02\xDB\xDD\x03\xC0", 9);
  EXPECT_EQ(slip::PacketAt(packet), 9u);
  EXPECT_EQ(*slip::Decode(packet), Bytes("\x01\xC0\x02\xDB\x03", 5));
  EXPECT_FALSE(slip::Decode(Bytes("\x01\xDB\x02\xC0", 4)).has_value());
  EXPECT_EQ(slip::PacketAt(Bytes("\x01\x02", 2)), 0u);
}

// RFC 1662 C.2: a frame with its FCS leaves F0B8; escaping 7D 5D stands for 7D. The check value of
// "123456789" under CRC-16/IBM-SDLC is 906E, sent low byte first.
TEST(Hdlc, FrameCheckAndEscapes) {
  EXPECT_EQ(hdlc::FrameAt("\x7E"
                          "123456789\x6E\x90\x7E"),
            13u);
  EXPECT_EQ(hdlc::FrameAt("\x7E"
                          "123456788\x6E\x90\x7E"),
            0u);
  EXPECT_EQ(hdlc::FrameAt("\x7E"
                          "123456789\x26\x39\xF4\xCB\x7E"),
            15u);
  EXPECT_EQ(*hdlc::Decode("\x7E\x7D\x5D\x7D\x5E\x01\x7E"), "\x7D\x7E\x01");
  EXPECT_THAT(hdlc::Describe("\x7E"
                             "123456789\x26\x39\xF4\xCB\x7E"),
              HasSubstr("FCS-32"));
}

// ITU-T V.250 (07/2003) 5.2.1, 5.4.3, 5.7.1 table 1.
TEST(V250, CommandLinesAndResultCodes) {
  EXPECT_EQ(v250::Describe("AT\r", true), "V.250 command line, empty");
  EXPECT_EQ(v250::Describe("ATE0\r", true), "V.250 command line");
  EXPECT_EQ(v250::Describe("at+fw?\r", true), "V.250 extended read command");
  EXPECT_EQ(v250::Describe("AT+CHAN=?\r", true), "V.250 extended test command");
  EXPECT_EQ(v250::Describe("AT+CHAN=11\r", true), "V.250 extended set command");
  EXPECT_EQ(v250::Describe("A/", true), "V.250 repeat of the last command line");
  EXPECT_EQ(v250::Describe("aT\r", true), "");
  EXPECT_EQ(v250::Describe("\r\nOK\r\n", false), "V.250 result code OK");
  EXPECT_EQ(v250::Describe("\r\nsedge-b 2.1\r\n\r\nOK\r\n", false),
            "V.250 information text, result code OK");
  EXPECT_EQ(v250::Describe("sedge-b 2.1\r\n0\r", false),
            "V.250 information text, numeric result code OK");
  const char* const names[] = {"OK",    "CONNECT",     "RING", "NO CARRIER", "ERROR",
                               nullptr, "NO DIALTONE", "BUSY", "NO ANSWER"};
  for (int i = 0; i < 9; ++i) {
    const char* name = v250::NumericResultCode(std::string(1, static_cast<char>('0' + i)) + "\r");
    if (names[i] == nullptr)
      EXPECT_EQ(name, nullptr);
    else
      EXPECT_STREQ(name, names[i]);
  }
  EXPECT_TRUE(v250::IsFinalResultCode("+CME ERROR: 10"));
  EXPECT_FALSE(v250::IsFinalResultCode("+JOIN: 3"));
  EXPECT_FALSE(v250::IsFinalResultCode("OKAY"));
}

TEST(FrameRule, LengthFieldAndChecksum) {
  FrameRule rule;
  rule.name = "Brook frame";
  rule.start = "\x02";
  rule.length = FrameRule::LengthField{1, 1, false, 4};
  rule.check = FrameRule::Check{"XOR-8", 1, 1, false};
  rule.end = "\x03";
  ASSERT_TRUE(CheckRule(rule).ok());
  const Bytes frame("\x02\x02\x41\x42\x01\x03", 6);  // 02 ^ 41 ^ 42 = 01
  EXPECT_EQ(FrameAt(rule, frame + "\x02"), 6u);
  Bytes wrong = frame;
  wrong[2] = 'Z';
  EXPECT_EQ(FrameAt(rule, wrong), 0u);
  test::Talk talk;
  SegmenterOptions options;
  options.framing = rule;
  talk.Module(0, frame + frame + "?" + frame);
  const auto segments = test::Segments(talk.events(), options);
  ASSERT_EQ(segments.size(), 4u) << test::Outline(segments);
  EXPECT_EQ(ProtocolOf(segments[0]), "Brook frame");
  EXPECT_EQ(segments[2].bytes, "?");
  EXPECT_EQ(segments[2].sure, Sureness::kUnsure);
}

TEST(FrameRule, NeedsAnEndAndAKnownChecksum) {
  FrameRule rule;
  EXPECT_FALSE(CheckRule(rule).ok());
  rule.end = "\n";
  EXPECT_TRUE(CheckRule(rule).ok());
  rule.check = FrameRule::Check{"CRC-99", 0, 0, false};
  EXPECT_THAT(CheckRule(rule).message(), HasSubstr("CRC-99"));
}

TEST(GuessChecksum, FindsTheModbusCrcInReferenceFrames) {
  std::vector<Bytes> frames;
  for (const Fact& fact : Reference("rtu-request")) frames.push_back(fact.bytes);
  const auto guesses = GuessChecksum(frames);
  ASSERT_FALSE(guesses.empty());
  EXPECT_EQ(guesses[0].checksum->name, "CRC-16/MODBUS");
  EXPECT_FALSE(guesses[0].big_endian);
  EXPECT_EQ(guesses[0].from, 0u);
}

TEST(GuessChecksum, NothingFitsRandomFrames) {
  std::vector<Bytes> frames;
  for (int i = 0; i < 12; ++i) {
    Bytes frame;
    for (int k = 0; k < 9; ++k)
      frame += static_cast<char>((i * 131 + k * k * 77 + 13 * i * k) % 251);
    frames.push_back(frame);
  }
  EXPECT_TRUE(GuessChecksum(frames).empty());
}

TEST(Nmea, TalkersSentenceIsAnAnswerOnlyToAQueryThatNamesIt) {
  const ByteView sentence = "$GPGGA,1,2*71\r\n";
  EXPECT_TRUE(nmea::ComesByItself(sentence, "$PFEN,RATE,5*00\r\n"));
  EXPECT_FALSE(nmea::ComesByItself(sentence, "$CCGPQ,GGA*2B\r\n"));
  EXPECT_FALSE(nmea::ComesByItself("$PFEN,OK*3F\r\n", "$PFEN,RATE,5*00\r\n"));
}

}  // namespace
}  // namespace witness
