#include "capture/examine/rate_finder.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <functional>
#include <random>
#include <span>

#include "capture/base/bytes.h"
#include "tests/support/sanitized.h"
#include "tests/support/waveform.h"

namespace witness {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

LineSettings At(std::uint32_t baud, const char* format) {
  LineSettings out;
  EXPECT_TRUE(ParseFormat(format, out).ok());
  out.baud = baud;
  return out;
}

// What a module says now and then.
using Saying = std::function<Bytes(std::mt19937&)>;

int Pick(std::mt19937& random, int from, int to) {
  return std::uniform_int_distribution<int>(from, to)(random);
}

Bytes Commanded(std::mt19937& random) {
  const int n = Pick(random, 0, 99);
  switch (Pick(random, 0, 3)) {
    case 0:
      return "\r\nOK\r\n";
    case 1:
      return "\r\n+SIGNAL: -" + std::to_string(n) + "\r\n\r\nOK\r\n";
    case 2:
      return "\r\n+FW: sedge-b 2." + std::to_string(n) + "\r\n\r\nOK\r\n";
    default:
      return "\r\nERROR\r\n";
  }
}

Bytes Sentence(std::mt19937& random) {
  Bytes inside = "GPGGA,1230" + std::to_string(Pick(random, 10, 59)) + ",52";
  inside += std::to_string(Pick(random, 10, 59)) + ".";
  inside += std::to_string(Pick(random, 1000, 9999)) + ",N,001";
  inside += std::to_string(Pick(random, 10, 59)) + ".2000,E,1,08,0.9,12.4,M,46.9,M,,";
  unsigned sum = 0;
  for (const char c : inside) sum ^= static_cast<unsigned char>(c);
  char end[8];
  std::snprintf(end, sizeof end, "*%02X\r\n", sum);
  return "$" + inside + end;
}

void AppendModbusCrc(Bytes& frame) {
  unsigned crc = 0xFFFF;
  for (const char c : frame) {
    crc ^= static_cast<unsigned char>(c);
    for (int i = 0; i < 8; ++i) crc = (crc & 1) != 0 ? crc >> 1 ^ 0xA001u : crc >> 1;
  }
  frame += static_cast<char>(crc & 0xFF);
  frame += static_cast<char>(crc >> 8);
}

Bytes Modbus(std::mt19937& random) {
  Bytes request = {17, 3, 0, static_cast<char>(Pick(random, 0, 127)), 0, 2};
  AppendModbusCrc(request);
  Bytes response = {17, 3, 4};
  for (int i = 0; i < 4; ++i) response += static_cast<char>(Pick(random, 0, 255));
  AppendModbusCrc(response);
  return Pick(random, 0, 1) == 0 ? request : response;
}

Bytes Rubbish(std::mt19937& random) {
  Bytes out;
  for (int i = Pick(random, 1, 30); i > 0; --i) out += static_cast<char>(Pick(random, 0, 255));
  return out;
}

Bytes Level(std::mt19937& random) {
  const Bytes level = "level " + std::to_string(Pick(random, 100, 999));
  return level + " mm, butt " + std::to_string(Pick(random, 1, 9)) + "\r\n";
}

struct Line {
  LineSettings sender;
  Saying saying;
  bool lone_bytes = false;    // with idle line between any two
  bool back_to_back = false;  // without any
  bool errors_told = true;    // by the adapter's driver
  bool silent = false;
};

// Listens through a line that speaks whenever it is listened to, as `record` would.
Sitting Listen(const Line& line, const LineSettings& at, const RateFinder& finder,
               std::mt19937& random) {
  Sitting out;
  out.settings = at;
  out.length = finder.Patience();
  if (line.silent) return out;
  bool first = true;
  for (int sayings = 0; sayings < 40 && !finder.Over(Duration::Zero(), out.bytes.size());
       ++sayings) {
    Bytes said = line.saying(random);
    if (line.back_to_back)
      for (int i = 0; i < 8; ++i) said += line.saying(random);
    // Listening begins anywhere, in the midst of a byte too.
    const std::size_t cut = first ? static_cast<std::size_t>(Pick(random, 0, 5)) : 0;
    first = false;
    said = said.substr(std::min(cut, said.size()));
    std::vector<Bytes> pieces;
    if (line.lone_bytes)
      for (const char c : said) pieces.emplace_back(1, c);
    else
      pieces.push_back(said);
    for (const Bytes& piece : pieces) {
      const Instant start = Instant() + Duration::Nanoseconds(Pick(random, 0, 1'000'000));
      const Waveform wave(start, piece, line.sender);
      for (const ReceivedByte& byte : wave.Receive(at)) {
        const bool bad = byte.framing_error || byte.parity_error;
        out.Add(Bytes(1, byte.byte), bad && line.errors_told);
      }
    }
  }
  return out;
}

RateJudgement FindOn(const Line& line, unsigned seed, int most_sittings = 400,
                     std::vector<std::uint32_t> rates = LikelyRates()) {
  std::mt19937 random(seed);
  RateFinder finder(std::move(rates), LikelyFormats());
  for (int i = 0; i < most_sittings && !finder.Done(); ++i) {
    const LineSettings at = finder.Next();
    finder.Take(Listen(line, at, finder, random));
  }
  return finder.Judge();
}

// 8N2 is heard as 8N1, which is right: a receiver looks at one stop bit only.
bool Fits(const RateJudgement& judged, const LineSettings& sender) {
  const LineSettings& said = judged.fits.front().settings;
  const double off = std::abs(static_cast<double>(said.baud) / sender.baud - 1);
  return off < 0.06 && said.data_bits == sender.data_bits &&
         (judged.parity_unknown || said.parity == sender.parity);
}

struct Tally {
  int sure = 0, likely = 0, not_sure = 0, surely_wrong = 0, likely_wrong = 0;
  std::string first_wrong;
};

void Count(Tally& tally, const Line& line, unsigned seed, const char* what) {
  const RateJudgement judged = FindOn(line, seed);
  const bool right = !judged.fits.empty() && Fits(judged, line.sender);
  if (judged.answer == RateAnswer::kSure) {
    ++(right ? tally.sure : tally.surely_wrong);
  } else if (judged.answer == RateAnswer::kLikely) {
    ++(right ? tally.likely : tally.likely_wrong);
  } else {
    ++tally.not_sure;
  }
  // The first one that was said for sure, else the first.
  const bool sure = judged.answer == RateAnswer::kSure;
  if (!right && judged.answer >= RateAnswer::kLikely &&
      (tally.first_wrong.empty() || (sure && tally.surely_wrong == 1)))
    tally.first_wrong = std::string(what) + " at " + FormatLineSettings(line.sender) + " seed " +
                        std::to_string(seed) + (line.lone_bytes ? " lone" : "") +
                        (line.back_to_back ? " back to back" : "") +
                        (line.errors_told ? "" : " no errors told") + ": said " +
                        FormatLineSettings(judged.fits.front().settings) + " with " +
                        std::to_string(judged.fits.front().evidence.bits()) + " bits";
}

struct Content {
  const char* name;
  Saying saying;
};
const Content kReadable[] = {
    {"commands", Commanded}, {"NMEA", Sentence}, {"Modbus", Modbus}, {"text", Level}};
// What nobody can be sure of: a single byte again and again, bytes without any sense.
const Content kSenseless[] = {{"rubbish", Rubbish},
                              {"U", [](std::mt19937&) { return Bytes(20, 'U'); }},
                              {"zeros", [](std::mt19937&) { return Bytes(12, '\0'); }},
                              {"OK", [](std::mt19937&) { return Bytes("OK\r\n"); }}};

constexpr const char* kFormats[] = {"8N1", "8N2", "7E1", "7O1", "8E1", "8O1"};
// Common ones, the nearest pair of the list (28800 and 31250), and some that are not on it.
constexpr std::uint32_t kSent[] = {300, 9600, 28800, 31250, 115200, 921600};
constexpr std::uint32_t kNotListed[] = {12000, 45000, 333333};

Tally Hear(const Content& content, std::span<const std::uint32_t> rates,
           std::span<const char* const> formats, bool errors_told) {
  Tally tally;
  unsigned seed = 0;
  for (const char* format : formats) {
    for (const std::uint32_t rate : rates) {
      Line line{At(rate, format), content.saying};
      ++seed;
      line.lone_bytes = seed % 3 == 1;
      line.back_to_back = seed % 3 == 2;
      line.errors_told = errors_told;
      Count(tally, line, seed * 7919 + rate, content.name);
    }
  }
  return tally;
}

TEST(RateFinder, ReadableLinesAreFoundForSureAtEveryRateAndFormat) {
  for (const Content& content : kReadable) {
    const Tally tally = Hear(content, kSent, kFormats, true);
    EXPECT_EQ(tally.surely_wrong, 0) << tally.first_wrong;
    EXPECT_EQ(tally.likely_wrong, 0) << tally.first_wrong;
    EXPECT_EQ(tally.sure, static_cast<int>(std::size(kSent) * std::size(kFormats)))
        << content.name << ": likely " << tally.likely << ", not sure " << tally.not_sure;
  }
}

TEST(RateFinder, AnAdapterThatTellsNoErrorsStillGivesTheRate) {
  for (const Content& content : kReadable) {
    const Tally tally = Hear(content, kSent, kFormats, false);
    EXPECT_EQ(tally.surely_wrong, 0) << tally.first_wrong;
    EXPECT_EQ(tally.not_sure + tally.likely_wrong, 0) << content.name << tally.first_wrong;
  }
}

TEST(RateFinder, OfWhatHasNoSenseItIsNeverSurelyWrong) {
  for (const Content& content : kSenseless)
    for (const bool told : {true, false}) {
      const Tally tally =
          Hear(content, Enough(std::span<const std::uint32_t>(kSent).subspan(1, 2), 1),
               Enough(std::span<const char* const>(kFormats).last(3), 1), told);
      EXPECT_EQ(tally.surely_wrong, 0) << tally.first_wrong;
    }
}

TEST(RateFinder, OfARateThatIsNotTriedItIsNeverSurelyWrong) {
  for (const Content& content : kReadable) {
    const Tally tally = Hear(content, Enough(std::span<const std::uint32_t>(kNotListed), 1),
                             Enough(std::span<const char* const>(kFormats).last(2), 1), true);
    EXPECT_EQ(tally.surely_wrong, 0) << tally.first_wrong;
  }
}

TEST(RateFinder, TwoStopBitsSoundAsOne) {
  const RateJudgement judged = FindOn({At(4800, "8N2"), Commanded}, 5);
  EXPECT_EQ(judged.answer, RateAnswer::kSure);
  EXPECT_EQ(judged.fits.front().settings, At(4800, "8N1"));
  EXPECT_THAT(judged.fits.front().evidence.known, Contains("V.250 result codes"));
}

TEST(RateFinder, SaysWhenNothingWasHeard) {
  Line line{At(9600, "8N1"), Level};
  line.silent = true;
  const RateJudgement judged = FindOn(line, 1);
  EXPECT_EQ(judged.answer, RateAnswer::kNothingHeard);
  EXPECT_TRUE(judged.fits.empty());
  EXPECT_THAT(judged.reason, HasSubstr("nothing was heard"));
}

TEST(RateFinder, SaysWhenTooLittleCame) {
  RateFinder finder(LikelyRates(), LikelyFormats());
  Sitting one;
  one.settings = finder.Next();
  one.Add("hey", false);
  finder.Take(one);
  EXPECT_EQ(finder.Judge().answer, RateAnswer::kTooLittle);
  EXPECT_EQ(finder.Judge().heard, 3u);
}

TEST(RateFinder, RatesThatSoundAlikeAreNamed) {
  const RateJudgement judged = FindOn({At(74880, "8N1"), Level}, 5, 400, {9600, 74880, 76800});
  EXPECT_EQ(judged.answer, RateAnswer::kSure);
  EXPECT_THAT(judged.sounds_alike, testing::ElementsAre(76800u));
}

TEST(RateFinder, WithoutReportedErrorsTheParityIsSaidToBeUnknown) {
  Line line{At(9600, "8E1"), Level};
  line.errors_told = false;
  const RateJudgement judged = FindOn(line, 1);
  ASSERT_FALSE(judged.fits.empty());
  EXPECT_EQ(judged.fits.front().settings.baud, 9600u);
  EXPECT_TRUE(judged.parity_unknown);
  line.errors_told = true;
  const RateJudgement told = FindOn(line, 1);
  EXPECT_EQ(told.fits.front().settings, At(9600, "8E1"));
  EXPECT_FALSE(told.parity_unknown);
}

// A line that changes its rate, or an adapter that hands out late what it heard before.
TEST(RateFinder, ReadableOnceAndRubbishElseIsNotSure) {
  std::mt19937 random(8);
  RateFinder finder({9600, 4800, 2400}, {At(9600, "8N1")});
  const Line line{At(19200, "8N1"), Commanded};
  Sitting readable;
  readable.settings = At(4800, "8N1");
  readable.Add("level 214 mm, butt 3\r\n\r\n+SIGNAL: -71\r\n\r\nOK\r\n", false);
  finder.Take(readable);
  EXPECT_GE(finder.Judge().answer, RateAnswer::kLikely);
  for (int i = 0; i < 3; ++i) finder.Take(Listen(line, At(4800, "8N1"), finder, random));
  const RateJudgement judged = finder.Judge();
  EXPECT_EQ(judged.answer, RateAnswer::kNotSure);
  EXPECT_THAT(judged.reason, HasSubstr("rubbish in part"));
}

TEST(RateFinder, ALineThatSpeaksSeldomIsWaitedFor) {
  RateFinder finder(LikelyRates(), LikelyFormats());
  std::mt19937 random(4);
  const Line line{At(19200, "8N1"), Level};
  int sittings = 0;
  for (; sittings < 200 && !finder.Done(); ++sittings) {
    Sitting heard;
    heard.settings = finder.Next();
    heard.length = finder.Patience();
    if (sittings % 7 == 6) heard = Listen(line, finder.Next(), finder, random);
    finder.Take(heard);
  }
  EXPECT_EQ(finder.Judge().answer, RateAnswer::kSure);
  EXPECT_EQ(finder.Judge().fits.front().settings, At(19200, "8N1"));
}

TEST(RateFinder, PatienceGrowsAndSlowRatesGetMore) {
  RateFinder finder({9600, 300}, LikelyFormats());
  const Duration first = finder.Patience();
  EXPECT_FALSE(finder.Over(Duration::Milliseconds(100), 0));
  EXPECT_TRUE(finder.Over(first, 0));
  EXPECT_FALSE(finder.Over(first, 5)) << "where something comes it waits for more";
  EXPECT_TRUE(finder.Over(Duration::Zero(), 64));
  Sitting nothing;
  nothing.settings = finder.Next();
  finder.Take(nothing);
  EXPECT_EQ(finder.Next().baud, 300u);
  EXPECT_GE(finder.Patience(), Duration::Seconds(2)) << "64 characters of 10 bits at 300 baud";
  nothing.settings = finder.Next();
  finder.Take(nothing);
  EXPECT_EQ(finder.Next().baud, 9600u);
  EXPECT_GT(finder.Patience(), first);
}

}  // namespace
}  // namespace witness
