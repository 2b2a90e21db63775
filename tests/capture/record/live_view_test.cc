#include "capture/record/live_view.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::EndsWith;
using ::testing::HasSubstr;

class LiveViewTest : public ::testing::Test {
 protected:
  LiveViewTest() : view_(false, [this](const std::string& line) { lines_.push_back(line); }) {}
  void Say(std::int64_t ms, Side side, ByteView bytes) {
    Event event;
    event.at = Instant() + Duration::Milliseconds(ms);
    event.side = side;
    event.bytes = bytes;
    view_.OnEvent(event);
  }
  std::vector<std::string> lines_;
  LiveView view_;
};

TEST_F(LiveViewTest, LinesEndWithLfTheOtherSideOrQuiet) {
  Say(0, Side::kHost, "AT");
  Say(10, Side::kModule, "O");
  Say(20, Side::kModule, "K\r\n");
  Say(30, Side::kModule, "left");
  view_.Tick(Instant() + Duration::Milliseconds(60));
  EXPECT_EQ(lines_.size(), 2u);
  view_.Tick(Instant() + Duration::Milliseconds(80));
  EXPECT_THAT(lines_, ElementsAre(EndsWith("host    AT∅"), EndsWith("module  OK␍␊"),
                                  EndsWith("module  left∅")));
}

TEST_F(LiveViewTest, ControlBytesNeverReachTheTerminal) {
  Say(0, Side::kModule, "\x1b[2J\x07\x9b");
  view_.Flush();
  ASSERT_EQ(lines_.size(), 1u);
  EXPECT_THAT(lines_[0], HasSubstr("\\x1b[2J\\x07\\x9b"));
}

TEST_F(LiveViewTest, LongSilenceStandsBetweenRulings) {
  Say(0, Side::kModule, "a\n");
  Say(3500, Side::kModule, "b\n");
  ASSERT_EQ(lines_.size(), 3u);
  EXPECT_THAT(lines_[1], HasSubstr("3.50 s of silence"));
}

TEST_F(LiveViewTest, EndlessTextWithoutLfIsCutIntoLines) {
  Say(0, Side::kModule, Bytes(1000, 'x'));
  EXPECT_EQ(lines_.size(), 1000 / LiveView::kLongest);
}

}  // namespace
}  // namespace witness
