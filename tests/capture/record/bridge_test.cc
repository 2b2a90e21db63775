// What goes over a bridge beside bytes, and ports that leave and come back; in virtual time.
#include "capture/record/bridge.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "capture/record/port_keeper.h"
#include "tests/support/scripted_port.h"
#include "tests/support/writer_fake.h"

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

Instant At(std::int64_t ms) { return Instant() + Duration::Milliseconds(ms); }

// A port that can be asked for settings, and that keeps what is asked of it, in order.
class AskingPort : public ScriptedPort {
 public:
  using ScriptedPort::ScriptedPort;
  std::vector<LineRequest> asks;   // given out by the next look
  std::vector<std::string> done;   // "set 115200 8N1", "break on", "lines 1/1"
  std::vector<std::string> shown;  // "115200 8N1"
  std::size_t draining = 0;

  std::vector<LineRequest> TakeRequests() override { return std::exchange(asks, {}); }
  Result<LineSettings> Configure(const LineSettings& settings) override {
    done.push_back("set " + FormatLineSettings(settings) + " after " +
                   std::to_string(written().size()));
    return settings;
  }
  Status SetBreak(bool on) override {
    done.push_back(on ? "break on" : "break off");
    return OkStatus();
  }
  Status SetLines(std::uint32_t mask, std::uint32_t levels) override {
    done.push_back("lines " + std::to_string(mask) + "/" + std::to_string(levels));
    return OkStatus();
  }
  void ShowLines(std::uint32_t asserted, std::uint32_t changed) override {
    if (changed != 0)
      done.push_back("shown " + std::to_string(asserted) + " of " + std::to_string(changed));
  }
  void ShowSettings(const LineSettings& got) override { shown.push_back(FormatLineSettings(got)); }
  std::size_t Draining() override { return draining; }
};

TEST(PassingDelays, ShareOfThemWithinATime) {
  PassingDelays delays;
  EXPECT_EQ(delays.count(), 0u);
  for (int i = 0; i < 98; ++i) delays.Add(Duration::Microseconds(10));
  delays.Add(Duration::Milliseconds(3));
  delays.Add(Duration::Seconds(2));
  EXPECT_EQ(delays.count(), 100u);
  EXPECT_GE(delays.Within(0.5), Duration::Microseconds(10));
  EXPECT_LE(delays.Within(0.5), Duration::Nanoseconds(12'500));
  EXPECT_GE(delays.Within(0.99), Duration::Milliseconds(3));
  EXPECT_LE(delays.Within(0.99), Duration::Microseconds(3'750));
  EXPECT_GE(delays.Within(1), Duration::Seconds(2));
  delays.Add(Duration::Max());
  EXPECT_GT(delays.Within(1), Duration::Seconds(2));
}

class BridgeTest : public ::testing::Test {
 protected:
  BridgeTest() : driver_(clock_), recorder_(driver_, writer_, clock_.Now()) {}
  void RunUntil(Instant at) {
    driver_.SetTimer(at, [this](Instant) { driver_.Stop(); });
    ASSERT_TRUE(driver_.Run().ok());
  }
  void Join(bool pass_lines = true) {
    bridge_ = std::make_unique<Bridge>(
        driver_, recorder_, host_, module_,
        [this](Side side, ReadOutcome, const Status&) { ended_.push_back(side); }, LineSettings(),
        pass_lines);
  }
  static LineRequest Rate(std::uint32_t baud) {
    LineRequest out;
    out.settings = LineSettings();
    out.settings->baud = baud;
    return out;
  }
  std::vector<std::string> Notes() const {
    std::vector<std::string> out;
    for (const OwnedEvent& event : writer_.kept)
      if (event.event.kind == EventKind::kNote) out.push_back(event.bytes);
    return out;
  }

  FakeClock clock_;
  VirtualDriver driver_;
  WriterFake writer_;
  Recorder recorder_;
  AskingPort host_{clock_, "host"};
  AskingPort module_{clock_, "module"};
  std::vector<Side> ended_;
  std::unique_ptr<Bridge> bridge_;
};

TEST_F(BridgeTest, RateOfTheProgramReachesTheModulesPortBeforeItsBytes) {
  Join();
  host_.Say(At(10), "AT\r");
  driver_.SetTimer(At(9), [this](Instant) { host_.asks = {Rate(115200)}; });
  RunUntil(At(100));
  EXPECT_THAT(module_.done, ElementsAre("set 115200 8N1 after 0"));
  EXPECT_EQ(module_.written(), "AT\r");
  EXPECT_EQ(host_.shown.back(), "115200 8N1");
  EXPECT_THAT(Notes(), ElementsAre("host asks for 115200 8N1"));
}

TEST_F(BridgeTest, RateIsSetBeforeAnythingIsSaid) {
  Join();
  driver_.SetTimer(At(9), [this](Instant) { host_.asks = {Rate(4800)}; });
  RunUntil(At(200));
  EXPECT_THAT(module_.done, ElementsAre("set 4800 8N1 after 0"));
}

TEST_F(BridgeTest, WhatWasSaidBeforeLeavesAtTheOldRate) {
  Join();
  module_.draining = 3;
  host_.Say(At(10), "old");
  host_.Say(At(20), "new");
  driver_.SetTimer(At(15), [this](Instant) { host_.asks = {Rate(115200)}; });
  driver_.SetTimer(At(60), [this](Instant) {
    EXPECT_EQ(module_.written(), "old");
    EXPECT_TRUE(module_.done.empty());
    module_.draining = 0;
  });
  RunUntil(At(200));
  EXPECT_THAT(module_.done, ElementsAre("set 115200 8N1 after 3"));
  EXPECT_EQ(module_.written(), "oldnew");
  EXPECT_EQ(writer_.BytesOf(Side::kHost), "oldnew");
}

TEST_F(BridgeTest, PeerThatTakesNothingHoldsARequestUpForTwoSecondsAtMost) {
  Join();
  module_.draining = 3;
  driver_.SetTimer(At(15), [this](Instant) { host_.asks = {Rate(115200)}; });
  RunUntil(At(1900));
  EXPECT_TRUE(module_.done.empty());
  RunUntil(At(2200));
  EXPECT_THAT(module_.done, ElementsAre("set 115200 8N1 after 0"));
}

TEST_F(BridgeTest, LinesAndBreaksThatAClientAsksForArePassedOnAndRecorded) {
  Join();
  LineRequest lines;
  lines.line_mask = kRts | kDtr;
  lines.line_levels = kDtr;
  LineRequest on;
  on.break_on = true;
  LineRequest off;
  off.break_on = false;
  driver_.SetTimer(At(5), [=, this](Instant) { host_.asks = {lines, on, off}; });
  RunUntil(At(200));
  EXPECT_THAT(module_.done, ElementsAre("lines 5/4", "break on", "break off"));
  ASSERT_EQ(writer_.kept.size(), 2u);
  EXPECT_EQ(writer_.kept[0].event.kind, EventKind::kLineChange);
  EXPECT_EQ(writer_.kept[0].event.side, Side::kHost);
  EXPECT_EQ(writer_.kept[0].event.lines, kDtr);
  EXPECT_EQ(writer_.kept[0].event.changed, kRts | kDtr);
  EXPECT_EQ(writer_.kept[1].event.kind, EventKind::kBreak);
}

TEST_F(BridgeTest, HeldLinesAreLeftAlone) {
  Join(false);
  LineRequest lines;
  lines.line_mask = kDtr;
  driver_.SetTimer(At(5), [=, this](Instant) { host_.asks = {lines}; });
  RunUntil(At(200));
  EXPECT_TRUE(module_.done.empty());
}

TEST_F(BridgeTest, ModuleThatIsAwayLosesWhatIsSaidAndIsHeardAgainWhenBack) {
  Join();
  module_.Unplug(At(100));
  host_.Say(At(150), "lost");
  RunUntil(At(120));
  ASSERT_THAT(ended_, ElementsAre(Side::kModule));
  bridge_->Leave(Side::kModule);
  RunUntil(At(200));
  AskingPort back(clock_, "back");
  bridge_->Join(Side::kModule, back);
  host_.Say(At(250), "AT");
  back.Say(At(260), "OK");
  RunUntil(At(350));
  EXPECT_EQ(back.written(), "AT");
  EXPECT_EQ(host_.written(), "OK");
  EXPECT_EQ(writer_.BytesOf(Side::kHost), "lostAT");
  bridge_.reset();
}

TEST_F(BridgeTest, SlowModuleThatLeavesDoesNotKeepItsHostHeldBack) {
  Join();
  module_.TakeAtMost(0);
  for (int i = 0; i < 100; ++i) host_.Say(At(10), Bytes(4096, 'x'));
  host_.Say(At(150), "again");
  RunUntil(At(100));
  EXPECT_LT(writer_.BytesOf(Side::kHost).size(), 100u * 4096);
  bridge_->Leave(Side::kModule);
  RunUntil(At(200));
  EXPECT_EQ(writer_.BytesOf(Side::kHost).size(), 100u * 4096 + 5);
}

TEST(PortKeeper, LooksUntilThePortIsBackAndSetsItAsBefore) {
  FakeClock clock;
  VirtualDriver driver(clock);
  std::vector<std::int64_t> looks;
  LineSettings set;
  PortKeeper keeper(
      driver, std::make_unique<ScriptedPort>(clock, "ttyUSB0"), LineSettings(),
      [&](const LineSettings& settings) -> Result<PortKeeper::Found> {
        looks.push_back(clock.Now().ns() / 1'000'000);
        if (looks.size() < 3) return Status(Code::kNotFound, "not there");
        set = settings;
        return PortKeeper::Found{std::make_unique<ScriptedPort>(clock, "ttyUSB1"), settings};
      });
  static_cast<ScriptedPort*>(keeper.port())->Unplug(At(50));
  LineSettings now_set;
  now_set.baud = 57600;
  std::string back;
  Duration away;
  PortHandlers handlers;
  handlers.on_end = [&](Instant at, ReadOutcome, const Status&) {
    keeper.AwaitReturn(at, now_set, [&](Instant, Port& port, Duration how_long) {
      back = port.name();
      away = how_long;
      driver.Stop();
    });
    EXPECT_EQ(keeper.port(), nullptr);
  };
  driver.AddPort(*keeper.port(), handlers);
  ASSERT_TRUE(driver.Run().ok());
  EXPECT_THAT(looks, ElementsAre(50, 150, 250));
  EXPECT_EQ(back, "ttyUSB1");
  EXPECT_EQ(away, Duration::Milliseconds(200));
  EXPECT_EQ(set.baud, 57600u);
  ASSERT_NE(keeper.port(), nullptr);
  EXPECT_TRUE(keeper.Close().ok());
}

}  // namespace
}  // namespace witness
