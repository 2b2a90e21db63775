// Columns taken apart many values at a time are as taken apart one by one.
#include "capture/store/columns.h"

#include <gtest/gtest.h>

#include <random>

#include "capture/store/wire.h"

namespace witness {
namespace {

Bytes RandomBytes(std::mt19937& random, std::size_t size) {
  Bytes bytes(size, '\0');
  for (char& c : bytes) c = static_cast<char>(random());
  return bytes;
}

TEST(Columns, SumsOfAnyLengthAreRight) {
  std::mt19937 random(1);
  for (std::size_t size = 0; size < 100; ++size) {
    const Bytes column = RandomBytes(random, size);
    std::uint64_t sum = 0;
    for (const char c : column) sum += static_cast<std::uint8_t>(c);
    EXPECT_EQ(SumOf(column), sum);
  }
  EXPECT_EQ(SumOf(Bytes(1 << 20, '\xFF')), std::uint64_t{255} << 20);
}

TEST(Columns, JoinedValuesAreRightAndNothingElseIsTouched) {
  std::mt19937 random(2);
  for (std::size_t count = 0; count < 70; ++count) {
    std::array<Bytes, 4> bytes;
    std::array<const std::uint8_t*, 4> columns{};
    for (std::size_t k = 0; k < 4; ++k) {
      bytes[k] = RandomBytes(random, count);
      bytes[k].shrink_to_fit();
      if (random() % 3 != 0) columns[k] = reinterpret_cast<const std::uint8_t*>(bytes[k].data());
    }
    std::vector<std::uint32_t> joined(count + 1, 0xA5A5A5A5);
    JoinColumns(columns, count, joined.data());
    for (std::size_t i = 0; i < count; ++i) {
      std::uint32_t want = 0;
      for (std::size_t k = 4; k-- > 0;) {
        want = want * 256 + (columns[k] == nullptr ? 0 : columns[k][i]);
      }
      ASSERT_EQ(joined[i], want);
    }
    EXPECT_EQ(joined.back(), 0xA5A5A5A5);
  }
}

TEST(Columns, PackedVarintsOfAnyLengthComeBack) {
  std::mt19937_64 random(3);
  for (int round = 0; round < 200; ++round) {
    std::vector<std::uint64_t> values(random() % 60);
    Bytes packed;
    for (std::uint64_t& v : values) {
      v = random() >> (random() % 4 == 0 ? random() % 64 : 57 + random() % 7);
      AppendVarint(packed, v);
    }
    std::vector<std::uint64_t> taken{7, 7, 7};
    ASSERT_TRUE(TakePacked(packed, values.size(), taken));
    EXPECT_EQ(taken, values);
    if (values.empty()) continue;
    EXPECT_FALSE(TakePacked(packed, values.size() - 1, taken));
  }
}

TEST(Columns, VarintsThatDoNotFitOrDoNotEndAreRefused) {
  std::vector<std::uint32_t> narrow;
  std::vector<std::uint64_t> wide;
  EXPECT_TRUE(TakePacked("\xFF\xFF\xFF\xFF\x0F", 9, narrow));
  EXPECT_EQ(narrow, std::vector<std::uint32_t>{0xFFFFFFFF});
  EXPECT_FALSE(TakePacked("\xFF\xFF\xFF\xFF\x10", 9, narrow));
  EXPECT_FALSE(TakePacked("\x01\x02\x80", 9, narrow));
  EXPECT_FALSE(TakePacked("\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x01", 99, wide));
  EXPECT_TRUE(TakePacked("", 0, wide));
  EXPECT_TRUE(wide.empty());
}

}  // namespace
}  // namespace witness
