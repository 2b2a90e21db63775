// Bytes are looked at sixteen at a time: the same must come out as one by one, whatever byte stands
// wherever in runs of all lengths around that.
#include "capture/examine/lines_of.h"

#include <gtest/gtest.h>

#include <algorithm>

#include "capture/examine/protocols/nmea.h"

namespace witness {
namespace {

constexpr std::size_t kLongest = 50;

// Calls `each(bytes, at)` with every value at every place.
template <typename Each>
void ForAllPlaces(const Each& each) {
  for (int value = 0; value < 256; ++value) {
    for (std::size_t size = 1; size <= kLongest; ++size) {
      for (std::size_t at = 0; at < size; ++at) {
        Bytes bytes(size, 'a');
        bytes[at] = static_cast<char>(value);
        each(bytes, at);
      }
    }
  }
}

TEST(LinesOf, TextIsToldAndCountedAsByteByByte) {
  ForAllPlaces([](const Bytes& bytes, std::size_t at) {
    const bool text = IsTextByte(bytes[at]);
    ASSERT_EQ(IsText(bytes), text) << ToHex(bytes);
    ASSERT_EQ(CountText(bytes), bytes.size() - (text ? 0u : 1u)) << ToHex(bytes);
    const auto value = static_cast<unsigned char>(bytes[at]);
    ASSERT_EQ(IsPrintable(bytes), value >= 0x20 && value <= 0x7e) << ToHex(bytes);
  });
  EXPECT_TRUE(IsText(""));
  EXPECT_EQ(CountText(""), 0u);
}

TEST(LinesOf, LineEndsAreFoundWhereverTheyStand) {
  ForAllPlaces([](const Bytes& bytes, std::size_t at) {
    const std::size_t expected = IsLineEnd(bytes[at]) ? at : ByteView::npos;
    for (std::size_t from = 0; from <= at; ++from)
      ASSERT_EQ(FindLineEnd(bytes, from), expected) << ToHex(bytes) << " from " << from;
    ASSERT_EQ(FindLineEnd(bytes, at + 1), ByteView::npos) << ToHex(bytes);
    ASSERT_EQ(FindLastLineEnd(bytes), expected) << ToHex(bytes);
  });
  // Of two the first and the last.
  for (std::size_t a = 0; a < kLongest; ++a) {
    for (std::size_t b = a + 1; b < kLongest; ++b) {
      Bytes bytes(kLongest, 'a');
      bytes[a] = '\n';
      bytes[b] = '\r';
      ASSERT_EQ(FindLineEnd(bytes, 0), a);
      ASSERT_EQ(FindLastLineEnd(bytes), b);
    }
  }
}

// The sum of NMEA 0183: all characters between '$' and '*' combined by exclusive or.
TEST(LinesOf, SentencesOfAllLengthsKeepTheirSum) {
  for (std::size_t size = 3; size <= 76; ++size) {
    Bytes text;
    for (std::size_t i = 0; i < size; ++i) text += static_cast<char>('0' + i * 7 % 60);
    unsigned sum = 0;
    for (const char c : text) sum ^= static_cast<unsigned char>(c);
    const Bytes digits = ToHex(Bytes(1, static_cast<char>(sum)));
    const Bytes sentence = "$" + text + "*" + digits + "\r\n";
    EXPECT_EQ(nmea::SentenceAt(sentence), sentence.size()) << sentence;
    for (std::size_t i = 1; i <= size; ++i) {
      Bytes wrong = sentence;
      wrong[i] = static_cast<char>(wrong[i] ^ 1);
      EXPECT_EQ(nmea::SentenceAt(wrong), 0u) << wrong;
    }
  }
}

}  // namespace
}  // namespace witness
