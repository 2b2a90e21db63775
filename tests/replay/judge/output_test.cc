// Printed output as lines.
#include "replay/judge/output.h"

#include <gtest/gtest.h>

namespace trial {
namespace {

Instant At(int ms) { return Instant() + Duration::Milliseconds(ms); }

std::vector<OutputLine> Lines(const std::vector<std::pair<int, Bytes>>& printed) {
  Observations seen;
  for (const auto& [ms, bytes] : printed) seen.printed.push_back({At(ms), false, bytes});
  return OutputLines(seen, Patterns());
}

// A line that is begun before a command and ended behind its reply tells of the reply.
TEST(OutputLine, DiffersWhereTheOtherBytesWereRead) {
  const auto base = Lines({{1, "AT"}, {100, " fine\nchannel 11\n"}});
  const auto seen = Lines({{1, "AT"}, {700, " bad\nchan"}, {800, "nel 11\n"}});
  ASSERT_EQ(seen.size(), 2u);
  EXPECT_EQ(seen[0].at, At(1));
  EXPECT_EQ(seen[0].DiffersAt(base[0]), At(700));
  EXPECT_EQ(seen[0].DiffersAt(base[1]), At(1)) << "from the first byte on";
}

TEST(OutputLine, ThatLacksItsEndDiffersAtItsLastByte) {
  const auto base = Lines({{1, "AT"}, {100, " fine\n"}});
  const auto seen = Lines({{1, "AT"}, {700, " fi\n"}});
  EXPECT_EQ(seen[0].DiffersAt(base[0]), At(700));
}

}  // namespace
}  // namespace trial
