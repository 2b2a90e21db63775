// Sixteen bytes at a time are what they are one by one.
#include "capture/examine/sixteen.h"

#include <gtest/gtest.h>

#include <random>

namespace witness {
namespace {

constexpr std::size_t kSize = Sixteen::kSize;

bool IsDigit(char c) { return c >= '0' && c <= '9'; }

// Every byte often, and more often those around the borders of what is looked for.
class Drawn {
 public:
  Bytes Some(std::size_t size) {
    Bytes out;
    for (std::size_t i = 0; i < size; ++i) {
      static constexpr ByteView kBorders = "/09:@AZ[`az{\x1f ~\x7f";
      const bool border = random_() % 2 == 0;
      out += border ? kBorders[random_() % kBorders.size()] : static_cast<char>(random_());
    }
    return out;
  }
  std::size_t Below(std::size_t n) { return random_() % n; }

 private:
  std::mt19937 random_{5};
};

bool Same(const Sixteen& a, const Sixteen& b) { return (a ^ b).IsZero(); }

TEST(Sixteen, MasksAreThoseOfTheBytes) {
  Drawn drawn;
  for (int round = 0; round < 2000; ++round) {
    const Bytes bytes = drawn.Some(kSize);
    const Sixteen all(bytes.data());
    for (std::size_t i = 0; i < kSize; ++i) {
      const char c = bytes[i];
      const auto is = [i](std::uint32_t mask) { return (mask >> i & 1) != 0; };
      const bool letter = (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
      ASSERT_EQ(is(all.Printable()), c >= 0x20 && c < 0x7f) << int{c};
      ASSERT_EQ(is(all.LettersAndDigits()), letter || IsDigit(c)) << int{c};
      ASSERT_EQ(is(all.Any('A', ':')), c == 'A' || c == ':') << int{c};
    }
  }
}

TEST(Sixteen, DigitsAreAlikeAndNothingElseIs) {
  for (unsigned a = 0; a < 256; ++a) {
    for (unsigned b = 0; b < 256; ++b) {
      const Bytes one(kSize, static_cast<char>(a)), other(kSize, static_cast<char>(b));
      const bool alike =
          Same(Sixteen(one.data()).DigitsAlike(), Sixteen(other.data()).DigitsAlike());
      const bool digits = IsDigit(static_cast<char>(a)) && IsDigit(static_cast<char>(b));
      ASSERT_EQ(alike, a == b || digits) << a << " " << b;
    }
  }
}

TEST(Sixteen, PartsAndHalves) {
  Drawn drawn;
  for (std::size_t count = 0; count <= kSize; ++count) {
    const Bytes bytes = drawn.Some(kSize), zeros(kSize - count, '\0');
    const Sixteen all(bytes.data());
    const Bytes first = bytes.substr(0, count) + zeros;
    EXPECT_TRUE(Same(all.First(count), Sixteen(first.data()))) << count;
    const Bytes last = zeros + bytes.substr(kSize - count);
    EXPECT_TRUE(Same(all.Last(count), Sixteen(last.data()))) << count;
    const Bytes changed = bytes.substr(kSize / 2) + bytes.substr(0, kSize / 2);
    EXPECT_TRUE(Same(all.HalvesChanged(), Sixteen(changed.data())));
    if (count < kSize) {
      EXPECT_TRUE(Same(Sixteen(ByteView(bytes).substr(0, count)), Sixteen(first.data())));
    }
    EXPECT_EQ(all.HalvesChanged().Low(), all.High());
  }
}

TEST(Sixteen, AllBytesAreLookedAtOnce) {
  Drawn drawn;
  for (std::size_t size = 0; size < 70; ++size) {
    const Bytes bytes = drawn.Some(size);
    Bytes seen;
    ForSixteens(bytes, [&](const Sixteen& block, std::size_t from, std::size_t count) {
      EXPECT_EQ(from, seen.size());
      Bytes sixteen = bytes.substr(from, count) + Bytes(kSize - count, '\0');
      EXPECT_TRUE(Same(block, Sixteen(sixteen.data())));
      seen += bytes.substr(from, count);
      return true;
    });
    EXPECT_EQ(seen, bytes);
    const std::size_t from = size == 0 ? 0 : drawn.Below(size);
    EXPECT_EQ(FindAny(bytes, from, ':', 'Z'), bytes.find_first_of(":Z", from));
  }
}

}  // namespace
}  // namespace witness
