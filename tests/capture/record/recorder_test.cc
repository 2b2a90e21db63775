#include "capture/record/recorder.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "capture/record/bridge.h"
#include "tests/support/scripted_port.h"
#include "tests/support/writer_fake.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Instant At(std::int64_t ms) { return Instant() + Duration::Milliseconds(ms); }

class RecorderTest : public ::testing::Test {
 protected:
  RecorderTest() : driver_(clock_) {
    clock_.Advance(Duration::Milliseconds(100));  // a clock need not begin with the capture
    recorder_ = std::make_unique<Recorder>(driver_, writer_, clock_.Now());
  }
  void RunUntil(Instant at) {
    driver_.SetTimer(at, [this](Instant) { driver_.Stop(); });
    ASSERT_TRUE(driver_.Run().ok());
  }

  FakeClock clock_;
  VirtualDriver driver_;
  WriterFake writer_;
  std::unique_ptr<Recorder> recorder_;
};

TEST_F(RecorderTest, EventsCountFromTheCapturesBeginning) {
  ScriptedPort port(clock_);
  port.Say(At(150), "OK");
  port.Say(At(160), "\r\n");
  driver_.AddPort(port, recorder_->Handlers(Side::kModule));
  RunUntil(At(500));
  ASSERT_EQ(writer_.kept.size(), 2u);
  EXPECT_EQ(writer_.kept[0].event.at, At(50));
  EXPECT_EQ(writer_.kept[0].bytes, "OK");
  EXPECT_EQ(writer_.kept[0].event.side, Side::kModule);
  EXPECT_EQ(writer_.kept[1].event.at, At(60));
  EXPECT_EQ(recorder_->last_byte(), At(160));
  EXPECT_EQ(recorder_->payload_bytes(), 4u);
  ASSERT_TRUE(recorder_->Close().ok());
  EXPECT_EQ(writer_.closed_at, At(400));
}

TEST_F(RecorderTest, UnpluggedPortLeavesAGap) {
  ScriptedPort port(clock_);
  port.Say(At(200), "a");
  port.Unplug(At(200));
  Status told;
  driver_.AddPort(port, recorder_->Handlers(Side::kModule, {},
                                            [&](Instant, ReadOutcome why, const Status& status) {
                                              EXPECT_EQ(why, ReadOutcome::kGone);
                                              told = status;
                                              driver_.Stop();
                                            }));
  ASSERT_TRUE(driver_.Run().ok());
  EXPECT_EQ(told.code(), Code::kDisconnected);
  ASSERT_EQ(writer_.kept.size(), 2u) << "the last byte, then the gap";
  EXPECT_EQ(writer_.kept[1].event.kind, EventKind::kGap);
  EXPECT_EQ(writer_.kept[1].event.gap.reason, GapReason::kUnplugged);
}

TEST_F(RecorderTest, WriterGetsItsTicksInCaptureTime) {
  writer_.flush_every = Duration::Milliseconds(250);
  recorder_->RecordBytes(clock_.Now(), Side::kHost, "AT");
  RunUntil(At(1000));
  ASSERT_EQ(writer_.ticks.size(), 1u);
  EXPECT_EQ(writer_.ticks[0], At(250));
}

TEST_F(RecorderTest, FullDiskIsToldOnceAndKeepsWhatWasWritten) {
  writer_.fail_after = 1;
  int failures = 0;
  recorder_->OnFailure([&](const Status& status) {
    ++failures;
    EXPECT_THAT(status.message(), HasSubstr("No space left"));
  });
  for (int i = 0; i < 5; ++i) recorder_->RecordBytes(clock_.Now(), Side::kHost, "x");
  EXPECT_EQ(failures, 1);
  EXPECT_EQ(writer_.kept.size(), 1u);
  EXPECT_EQ(recorder_->events(), 1u);
  EXPECT_EQ(recorder_->Close().code(), Code::kIo);
  EXPECT_TRUE(writer_.closed) << "what there is must still be closed";
}

TEST_F(RecorderTest, MarksBecomeEvents) {
  const PortHandlers handlers = recorder_->Handlers(Side::kModule);
  handlers.on_bad_byte(At(110), "\xff");
  handlers.on_break(At(111));
  handlers.on_lines(At(112), kCts, kCts | kDsr);
  handlers.on_counts(At(113), {1, 2, 3, 4, 5});
  ASSERT_EQ(writer_.kept.size(), 4u);
  EXPECT_EQ(writer_.kept[0].event.kind, EventKind::kBadByte);
  EXPECT_EQ(writer_.kept[1].event.kind, EventKind::kBreak);
  EXPECT_EQ(writer_.kept[2].event.changed, kCts | kDsr);
  EXPECT_EQ(writer_.kept[3].event.counts, (ErrorCounts{1, 2, 3, 4, 5}));
}

TEST_F(RecorderTest, HeldBytesAreRecordedTogetherWithTheTimesTheyCameAt) {
  recorder_->HoldBytes(Duration::Milliseconds(50));
  ScriptedPort port(clock_);
  port.Say(At(150), "OK");
  port.Say(At(160), "\r\n");
  driver_.AddPort(port, recorder_->Handlers(Side::kModule));
  RunUntil(At(199));
  EXPECT_TRUE(writer_.kept.empty());
  EXPECT_EQ(recorder_->last_byte(), At(160)) << "what waits for a silence must know of them";
  RunUntil(At(200));
  ASSERT_EQ(writer_.kept.size(), 2u);
  EXPECT_EQ(writer_.kept[0].event.at, At(50));
  EXPECT_EQ(writer_.kept[0].bytes, "OK");
  EXPECT_EQ(writer_.kept[1].event.at, At(60));
  EXPECT_EQ(writer_.kept[1].bytes, "\r\n");
  EXPECT_EQ(writer_.kept[1].event.side, Side::kModule);
}

TEST_F(RecorderTest, NothingOvertakesHeldBytes) {
  recorder_->HoldBytes(Duration::Seconds(3600));
  ScriptedPort port(clock_);
  port.Say(At(150), "a");
  port.Say(At(160), "b");
  port.Unplug(At(161));
  driver_.AddPort(port, recorder_->Handlers(Side::kModule));
  driver_.SetTimer(At(155), [this](Instant now) { recorder_->Note(now, "seen"); });
  RunUntil(At(200));
  ASSERT_EQ(writer_.kept.size(), 4u);
  EXPECT_EQ(writer_.kept[0].bytes, "a");
  EXPECT_EQ(writer_.kept[1].event.kind, EventKind::kNote);
  EXPECT_EQ(writer_.kept[2].bytes, "b");
  EXPECT_EQ(writer_.kept[3].event.kind, EventKind::kGap);
}

TEST_F(RecorderTest, HeldBytesAreInWhenTheWriterBringsThemToTheFile) {
  class Counting : public WriterFake {
   public:
    std::size_t at_tick = 0;
    Status Tick(Instant now) override {
      at_tick = kept.size();
      return WriterFake::Tick(now);
    }
  };
  Counting writer;
  writer.flush_every = Duration::Milliseconds(250);
  Recorder recorder(driver_, writer, clock_.Now());
  recorder.HoldBytes(Duration::Milliseconds(50));
  ScriptedPort port(clock_);
  for (int ms = 200; ms <= 460; ms += 10) port.Say(At(ms), "x");
  driver_.AddPort(port, recorder.Handlers(Side::kModule));
  RunUntil(At(455));
  ASSERT_EQ(writer.ticks.size(), 1u);
  EXPECT_EQ(writer.ticks[0], At(350))
      << "250 ms after the first byte came, not after it was recorded";
  EXPECT_EQ(writer.at_tick, 26u) << "all that had come by then";
}

TEST_F(RecorderTest, HeldBytesAreNeverManyAndNoneAreLostAtTheEnd) {
  recorder_->HoldBytes(Duration::Seconds(3600));
  ScriptedPort port(clock_);
  const PortHandlers handlers = recorder_->Handlers(Side::kModule);
  for (int i = 0; i < 1000; ++i) handlers.on_bytes(At(110), "x");
  EXPECT_GE(writer_.kept.size(), 700u);
  for (int i = 0; i < 100; ++i) handlers.on_bytes(At(111), Bytes(4000, 'y'));
  EXPECT_GE(writer_.kept.size(), 1080u);
  handlers.on_bytes(At(112), Bytes(100'000, 'z'));
  EXPECT_EQ(writer_.kept.size(), 1101u) << "more than may wait does not";
  handlers.on_bytes(At(113), "!");
  ASSERT_TRUE(recorder_->Close().ok());
  EXPECT_EQ(writer_.BytesOf(Side::kModule),
            Bytes(1000, 'x') + Bytes(400'000, 'y') + Bytes(100'000, 'z') + "!");
}

TEST_F(RecorderTest, HeldBytesGoIntoTheNextFileIfTheOneBeforeIsClosed) {
  recorder_->HoldBytes(Duration::Milliseconds(50));
  recorder_->Handlers(Side::kModule).on_bytes(At(140), "late");
  WriterFake next;
  recorder_->ContinueIn(next, At(145));
  RunUntil(At(300));
  EXPECT_TRUE(writer_.kept.empty());
  EXPECT_EQ(next.BytesOf(Side::kModule), "late");
}

TEST_F(RecorderTest, BridgePassesBytesOnBeforeTheyAreRecordedWithin50Milliseconds) {
  ScriptedPort host(clock_, "host");
  ScriptedPort module(clock_, "module");
  host.Say(At(200), "AT\r");
  Bridge bridge(driver_, *recorder_, host, module, {});
  RunUntil(At(200));
  EXPECT_EQ(module.written(), "AT\r");
  EXPECT_TRUE(writer_.kept.empty());
  RunUntil(At(250));
  ASSERT_EQ(writer_.kept.size(), 1u);
  EXPECT_EQ(writer_.kept[0].event.at, At(100));
}

TEST_F(RecorderTest, BridgePassesBothWaysAndRecordsBothSides) {
  ScriptedPort host(clock_, "host");
  ScriptedPort module(clock_, "module");
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  host.Say(At(200), all);
  module.on_written = [&](Instant at, ByteView bytes) {
    module.Say(at + Duration::Milliseconds(5), Bytes(bytes.rbegin(), bytes.rend()));
  };
  Bridge bridge(driver_, *recorder_, host, module, {});
  RunUntil(At(1000));
  const Bytes backwards(all.rbegin(), all.rend());
  EXPECT_EQ(module.written(), all);
  EXPECT_EQ(host.written(), backwards);
  EXPECT_EQ(writer_.BytesOf(Side::kHost), all);
  EXPECT_EQ(writer_.BytesOf(Side::kModule), backwards);
}

TEST_F(RecorderTest, BridgeHoldsBackASenderThatTheOtherSideCannotFollow) {
  ScriptedPort host(clock_, "host");
  ScriptedPort module(clock_, "module");
  host.TakeAtMost(1024);
  Bytes said;
  for (int i = 0; i < 400; ++i) {
    Bytes chunk(4096, static_cast<char>(i));
    module.Say(At(200), chunk);
    said += chunk;
  }
  std::size_t most = 0;
  Bridge bridge(driver_, *recorder_, host, module, {});
  recorder_->Watch([&](const Event&) { most = std::max(most, bridge.Unwritten()); });
  RunUntil(At(200'000));
  EXPECT_TRUE(host.written() == said);
  EXPECT_TRUE(writer_.BytesOf(Side::kModule) == said);
  EXPECT_LE(most, 300u * 1024);
}

TEST_F(RecorderTest, BridgeEndsOnceWhenThePortGoes) {
  ScriptedPort host(clock_, "host");
  ScriptedPort module(clock_, "module");
  module.Unplug(At(300));
  int ends = 0;
  Bridge bridge(driver_, *recorder_, host, module, [&](Side side, ReadOutcome why, const Status&) {
    ++ends;
    EXPECT_EQ(side, Side::kModule);
    EXPECT_EQ(why, ReadOutcome::kGone);
  });
  RunUntil(At(1000));
  EXPECT_EQ(ends, 1);
}

}  // namespace
}  // namespace witness
