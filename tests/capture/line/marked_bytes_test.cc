// Marks as Linux makes them with PARMRK and INPCK. Source: termios(3) of the Linux man-pages.
#include "capture/line/marked_bytes.h"

#include <gtest/gtest.h>

#include <random>

namespace witness {
namespace {

struct Unmarked {
  Bytes bytes;
  std::vector<ReadMark> marks;
  bool operator==(const Unmarked&) const = default;
};

Unmarked UnmarkInPieces(ByteView raw, const std::vector<std::size_t>& pieces,
                        std::int64_t breaks_left = -1) {
  MarkedBytes marked;
  Unmarked out;
  std::size_t at = 0;
  for (const std::size_t piece : pieces) {
    std::vector<char> buffer(raw.begin() + static_cast<std::ptrdiff_t>(at),
                             raw.begin() + static_cast<std::ptrdiff_t>(at + piece));
    at += piece;
    buffer.resize(piece + MarkedBytes::kMayWait);
    std::vector<ReadMark> marks;
    const std::size_t size = marked.Unmark(std::span<char>(buffer), piece, breaks_left, marks);
    for (ReadMark& mark : marks) {
      mark.offset += out.bytes.size();
      out.marks.push_back(mark);
    }
    out.bytes.append(buffer.data(), size);
  }
  return out;
}

Unmarked Unmark(ByteView raw, std::int64_t breaks_left = -1) {
  return UnmarkInPieces(raw, {raw.size()}, breaks_left);
}

constexpr auto kBad = ReadMark::Kind::kBadByte;
constexpr auto kBreak = ReadMark::Kind::kBreak;
using namespace std::string_view_literals;

TEST(MarkedBytes, PlainBytesStayAsTheyAre) {
  EXPECT_EQ(Unmark("AT+FW?\r\n\0\x01"sv), (Unmarked{Bytes("AT+FW?\r\n\0\x01"sv), {}}));
}

TEST(MarkedBytes, DoubledFfIsOneByte) {
  EXPECT_EQ(Unmark("\xff\xff\xff\xff"sv), (Unmarked{"\xff\xff", {}}));
}

TEST(MarkedBytes, ParityOrFramingErrorMarksItsByte) {
  EXPECT_EQ(Unmark("O\xff\0KX"sv), (Unmarked{"OKX", {{kBad, 1}}}));
}

TEST(MarkedBytes, BreakHasNoByte) {
  EXPECT_EQ(Unmark("A\xff\0\0B"sv), (Unmarked{"AB", {{kBreak, 1}}}));
}

TEST(MarkedBytes, NulWithAnErrorIsNoBreakIfTheDriverCountedNone) {
  EXPECT_EQ(Unmark("A\xff\0\0\xff\0\0"sv, 1), (Unmarked{Bytes("A\0"sv), {{kBreak, 1}, {kBad, 1}}}));
}

TEST(MarkedBytes, BadFfIsOneByte) {
  // The byte behind FF 00 is never doubled.
  EXPECT_EQ(Unmark("\xff\0\xff\xff\xff"sv), (Unmarked{"\xff\xff", {{kBad, 0}}}));
}

TEST(MarkedBytes, AnySplitOfTheSameBytesUnmarksAlike) {
  std::mt19937 random(20261125);
  for (int round = 0; round < 500; ++round) {
    Bytes raw;
    for (int i = 0; i < 40; ++i) raw += "\xff\xff\xff\0\0AK"[random() % 7];
    const Unmarked whole = Unmark(raw);
    std::vector<std::size_t> pieces;
    for (std::size_t left = raw.size(); left > 0;) {
      pieces.push_back(std::min<std::size_t>(left, 1 + random() % 5));
      left -= pieces.back();
    }
    const Unmarked split = UnmarkInPieces(raw, pieces);
    ASSERT_EQ(split.bytes, whole.bytes) << ToHex(raw);
    ASSERT_EQ(split.marks, whole.marks) << ToHex(raw);
  }
}

}  // namespace
}  // namespace witness
