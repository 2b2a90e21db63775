#include "replay/subject/observations.h"

#include <gtest/gtest.h>

namespace trial {
namespace {

Instant At(std::int64_t ms) { return Instant::FromNanoseconds(ms * 1'000'000); }

TEST(Observations, SerializedOnesReadBackEqual) {
  Observations o;
  o.commands = {{"AT\r\n", At(1), At(2), At(3), true, true, 4, 5},
                {"X", At(6), At(6), At(7), false, false, -1, 0}};
  HeardAnswer heard;
  heard.bytes = "OK\r\n";
  heard.asked = At(10);
  heard.from = At(30);
  heard.to = At(35);
  heard.pieces = {{Duration::Milliseconds(20), "OK"}, {Duration::Milliseconds(5), "\r\n"}};
  o.answers = {heard};
  o.unfinished = Bytes("a\0b", 3);
  o.said = {{{At(23), "OK", SaidSort::kUnasked, 1}, At(24)}};
  o.printed = {{At(25), false, "fine\n"}, {At(26), true, "oh\n"}, {At(27), false, "done\n"}};
  o.ending = SubjectEnding::kSignalled;
  o.exit_status = -3;
  o.signal = 11;
  o.ending_words = "by a wild jump";
  o.ended = At(100);
  o.cpu_time = Duration::Milliseconds(9);
  o.unread_bytes = 12;
  o.remarks = {{"orphan", At(99), "one process left behind", 1}};
  o.virtual_time = true;
  const auto read = DeserializeObservations(SerializeObservations(o));
  ASSERT_TRUE(read.ok());
  EXPECT_EQ(read->commands, o.commands);
  EXPECT_EQ(read->answers, o.answers);
  EXPECT_EQ(read->unfinished, o.unfinished);
  EXPECT_EQ(read->said, o.said);
  EXPECT_EQ(read->printed, o.printed);
  EXPECT_EQ(read->ending, o.ending);
  EXPECT_EQ(read->exit_status, o.exit_status);
  EXPECT_EQ(read->signal, o.signal);
  EXPECT_EQ(read->ending_words, o.ending_words);
  EXPECT_EQ(read->ended, o.ended);
  EXPECT_EQ(read->cpu_time, o.cpu_time);
  EXPECT_EQ(read->unread_bytes, o.unread_bytes);
  EXPECT_EQ(read->remarks, o.remarks);
  EXPECT_EQ(read->virtual_time, o.virtual_time);
}

TEST(Observations, RubbishIsRefused) { EXPECT_FALSE(DeserializeObservations("\xff\xff").ok()); }

TEST(Observations, PrintedTextKeepsTheStreamsApart) {
  Observations o;
  o.printed = {{At(1), false, "a"}, {At(2), true, "x"}, {At(3), false, "b"}};
  EXPECT_EQ(PrintedText(o, false), "ab");
  EXPECT_EQ(PrintedText(o, true), "x");
}

}  // namespace
}  // namespace trial
