#include "capture/line/keyboard.h"

#include <gtest/gtest.h>

namespace witness {
namespace {

std::string Typed(ByteView keys) {
  TypedLine line;
  std::string out;
  EXPECT_TRUE(line.Take(Bytes(keys) + "\r", out));
  return out;
}

TEST(TypedLine, EditsInTheMiddle) {
  EXPECT_EQ(Typed("AT+FW"), "AT+FW");
  EXPECT_EQ(Typed("AX\x7fT"), "AT");
  EXPECT_EQ(Typed("T\x1b[DA"), "AT");
  EXPECT_EQ(Typed("XAT\x1b[H\x1b[3~"), "AT");
  EXPECT_EQ(Typed("rubbish\x15"
                  "AT"),
            "AT");
  EXPECT_EQ(Typed("B\x01"
                  "A\x05"
                  "C"),
            "ABC");
}

TEST(TypedLine, AnUtf8LetterIsOneStep) {
  EXPECT_EQ(Typed("\xc3\xa4\x7f"
                  "a"),
            "a");
  EXPECT_EQ(Typed("\xc3\xa4\x1b[D"
                  "x"),
            "x\xc3\xa4");
}

TEST(TypedLine, EarlierLinesComeBack) {
  TypedLine line;
  std::string out;
  ASSERT_TRUE(line.Take("one\rtwo\r", out));
  EXPECT_EQ(out, "one");
  ASSERT_TRUE(line.Take("", out));
  EXPECT_EQ(out, "two");
  ASSERT_TRUE(line.Take("\x1b[A\x1b[A\r", out));
  EXPECT_EQ(out, "one");
  EXPECT_FALSE(line.Take("\x1b[A\x1b[B", out));
  EXPECT_EQ(line.text(), "");
}

TEST(TypedLine, OtherFunctionKeysLeaveNothing) { EXPECT_EQ(Typed("\x1b[15~\x1bOPAT"), "AT"); }

TEST(TypedLine, ControlBytesAreNotShown) {
  TypedLine line;
  std::string out;
  EXPECT_FALSE(line.Take("ab\x1b[D", out));
  EXPECT_EQ(line.Shown(),
            "a\u258F"
            "b");
}

}  // namespace
}  // namespace witness
