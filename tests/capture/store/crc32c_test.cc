#include "capture/store/crc32c.h"

#include <gtest/gtest.h>

#include <random>

namespace witness {
namespace {

// Check value of CRC-32C (also called CRC-32/ISCSI) over "123456789": catalogue of parametrised
// CRC algorithms. The patterns below: RFC 3720 (iSCSI), appendix B.4.
TEST(Crc32c, PublishedValues) {
  EXPECT_EQ(Crc32c("123456789"), 0xE3069283u);
  EXPECT_EQ(Crc32c(Bytes(32, '\0')), 0x8A9136AAu);
  EXPECT_EQ(Crc32c(Bytes(32, '\xFF')), 0x62A8AB43u);
  Bytes rising;
  for (int i = 0; i < 32; ++i) rising += static_cast<char>(i);
  EXPECT_EQ(Crc32c(rising), 0x46DD794Eu);
  EXPECT_EQ(Crc32cByTable("123456789"), 0xE3069283u);
}

TEST(Crc32c, InstructionAndTableAgreeAtEveryLengthAndSplit) {
  std::mt19937 random(1);
  Bytes bytes(9000, '\0');
  for (char& c : bytes) c = static_cast<char>(random());
  for (std::size_t size = 0; size < bytes.size(); size += size < 70 ? 1 : 331) {
    const ByteView part = ByteView(bytes).substr(bytes.size() - size);
    EXPECT_EQ(Crc32c(part), Crc32cByTable(part)) << size;
    const std::size_t split = size / 3;
    EXPECT_EQ(Crc32c(part.substr(split), Crc32c(part.substr(0, split))), Crc32c(part)) << size;
  }
}

}  // namespace
}  // namespace witness
