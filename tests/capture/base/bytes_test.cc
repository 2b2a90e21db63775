#include "capture/base/bytes.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

namespace witness {
namespace {

TEST(Bytes, EveryByteSurvivesEscapesAndHex) {
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  const auto escaped = ParseEscapes(ToEscapes(all));
  ASSERT_TRUE(escaped.ok()) << escaped.status().message();
  EXPECT_EQ(*escaped, all);
  const auto hex = FromHex(ToHex(all));
  ASSERT_TRUE(hex.ok());
  EXPECT_EQ(*hex, all);
}

TEST(Bytes, EscapeErrorsNameTheirPlace) {
  EXPECT_THAT(ParseEscapes("AT\\q").status().message(), ::testing::HasSubstr("character 3"));
  EXPECT_FALSE(ParseEscapes("AT\\").ok());
  EXPECT_FALSE(ParseEscapes("\\x4").ok());
  EXPECT_FALSE(ParseEscapes("\\777").ok());
}

TEST(Bytes, HexTakesSpacesBetweenBytesOnly) {
  EXPECT_EQ(*FromHex("4f 4B 0d"), "OK\r");
  EXPECT_FALSE(FromHex("4 f").ok());
  EXPECT_FALSE(FromHex("4f4").ok());
  EXPECT_FALSE(FromHex("4f ").ok());
}

}  // namespace
}  // namespace witness
