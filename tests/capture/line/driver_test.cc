#include "capture/line/driver.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <csignal>
#include <functional>
#include <string>
#include <vector>

#include "capture/line/pty.h"
#include "tests/support/fake_clock.h"

namespace witness {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

class DriverTest : public ::testing::Test {
 protected:
  DriverTest() : driver_(Driver::Create(clock_)) {
    auto made = PtyPort::Create();
    EXPECT_TRUE(made.ok()) << made.status().message();
    master_ = std::move(*made);
    auto opened = OpenPtySide(master_->program_side());
    EXPECT_TRUE(opened.ok()) << opened.status().message();
    side_ = std::move(*opened);
  }

  MonotonicClock clock_;
  std::unique_ptr<Driver> driver_;
  std::unique_ptr<PtyPort> master_;
  std::unique_ptr<Port> side_;
};

TEST_F(DriverTest, BytesCrossBothWaysUnchanged) {
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  Bytes at_master;
  Bytes at_side;
  const auto done = [&] {
    if (at_master == all && at_side == all) driver_->Stop();
  };
  driver_->AddPort(*master_, {[&](Instant, ByteView b) { at_master += b, done(); }, nullptr});
  driver_->AddPort(*side_, {[&](Instant, ByteView b) { at_side += b, done(); }, nullptr});
  driver_->Write(*master_, all);
  driver_->Write(*side_, all);
  ASSERT_TRUE(driver_->Run().ok());
  EXPECT_EQ(at_master, all);
  EXPECT_EQ(at_side, all);
}

TEST_F(DriverTest, MoreThanTheKernelTakesIsQueuedAndArrivesInOrder) {
  Bytes sent;
  for (int i = 0; i < 200'000; ++i) sent += static_cast<char>(i * 7 + i / 251);
  Bytes got;
  driver_->AddPort(*master_, {});
  driver_->AddPort(*side_, {[&](Instant, ByteView b) {
                              got += b;
                              if (got.size() >= sent.size()) driver_->Stop();
                            },
                            nullptr});
  driver_->Write(*master_, sent);
  EXPECT_GT(driver_->Unwritten(*master_), 0u);
  ASSERT_TRUE(driver_->Run().ok());
  EXPECT_EQ(got, sent);
  EXPECT_EQ(driver_->Unwritten(*master_), 0u);
}

TEST_F(DriverTest, HangUpIsToldOnceAfterTheLastBytes) {
  std::vector<std::string> said;
  driver_->AddPort(*side_, {[&](Instant, ByteView b) { said.emplace_back(b); },
                            [&](Instant, ReadOutcome why, const Status& status) {
                              said.push_back(why == ReadOutcome::kGone ? "gone" : "other");
                              EXPECT_EQ(status.code(), Code::kDisconnected);
                              EXPECT_THAT(status.message(), HasSubstr("unplugged or hung up"));
                              driver_->SetTimer(Instant(), [&](Instant) { driver_->Stop(); });
                            }});
  ASSERT_TRUE(master_->Write("last").ok());
  ASSERT_TRUE(master_->Close().ok());
  ASSERT_TRUE(driver_->Run().ok());
  EXPECT_THAT(said.back(), "gone");
  EXPECT_LE(said.size(), 2u);
}

TEST_F(DriverTest, PausedPortKeepsItsBytesUntilReadingGoesOn) {
  std::string got;
  driver_->AddPort(*side_, {[&](Instant, ByteView b) {
                              got += b;
                              if (got == "abc") driver_->Stop();
                            },
                            nullptr});
  driver_->PauseReading(*side_, true);
  ASSERT_TRUE(master_->Write("abc").ok());
  int turns = 0;
  std::function<void(Instant)> turn = [&](Instant) {
    EXPECT_EQ(got, "");
    if (++turns < 20)
      driver_->SetTimer(Instant(), turn);
    else
      driver_->PauseReading(*side_, false);
  };
  driver_->SetTimer(Instant(), turn);
  ASSERT_TRUE(driver_->Run().ok());
  EXPECT_EQ(turns, 20);
  EXPECT_EQ(got, "abc");
}

TEST_F(DriverTest, HandlerMayRemoveItsOwnPort) {
  int calls = 0;
  driver_->AddPort(*side_, {[&](Instant, ByteView) {
                              ++calls;
                              driver_->RemovePort(*side_);
                              driver_->Stop();
                            },
                            nullptr});
  ASSERT_TRUE(master_->Write("x").ok());
  ASSERT_TRUE(driver_->Run().ok());
  EXPECT_EQ(calls, 1);
}

TEST(Driver, TimersFireInOrderOfTimeThenOfSetting) {
  FakeClock clock;
  clock.Advance(Duration::Seconds(1));
  const auto driver = Driver::Create(clock);
  std::vector<int> order;
  const auto at = [](int ms) { return Instant() + Duration::Milliseconds(ms); };
  driver->SetTimer(at(30), [&](Instant) { order.push_back(3), driver->Stop(); });
  driver->SetTimer(at(10), [&](Instant) { order.push_back(1); });
  const TimerId cancelled = driver->SetTimer(at(15), [&](Instant) { order.push_back(9); });
  driver->SetTimer(at(10), [&](Instant) { order.push_back(2); });
  driver->CancelTimer(cancelled);
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_THAT(order, ElementsAre(1, 2, 3));
}

TEST(Driver, TimerOfTheFutureDoesNotFireEarly) {
  MonotonicClock clock;
  const auto driver = Driver::Create(clock);
  const Instant due = clock.Now() + Duration::Milliseconds(3);
  Instant fired;
  driver->SetTimer(due, [&](Instant now) { fired = now, driver->Stop(); });
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_GE(fired, due);
}

TEST(Driver, EarlierTimerThatIsSetWhileALaterOneWaitsIsNotHeldUpByIt) {
  MonotonicClock clock;
  const auto driver = Driver::Create(clock);
  driver->SetTimer(clock.Now() + Duration::Seconds(3600), [](Instant) { FAIL(); });
  int ends[2] = {};
  ASSERT_EQ(pipe(ends), 0);
  ASSERT_EQ(write(ends[1], "k", 1), 1);
  Instant due = Instant::Never();
  Instant fired;
  // The loop has waited for the later one by then.
  driver->WatchReadable(ends[0], [&](Instant now) {
    driver->Unwatch(ends[0]);
    due = now + Duration::Milliseconds(2);
    driver->SetTimer(due, [&](Instant at) { fired = at, driver->Stop(); });
  });
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_GE(fired, due);
  close(ends[0]);
  close(ends[1]);
}

TEST(Driver, TimersGoOnAfterOneThatWasCancelledAndAfterEachOther) {
  MonotonicClock clock;
  const auto driver = Driver::Create(clock);
  const Instant began = clock.Now();
  const TimerId cancelled =
      driver->SetTimer(began + Duration::Milliseconds(1), [](Instant) { FAIL(); });
  std::vector<std::int64_t> fired;
  std::function<void(Instant)> again = [&](Instant now) {
    fired.push_back((now - began).ns());
    if (fired.size() == 3)
      driver->Stop();
    else
      driver->SetTimer(now + Duration::Milliseconds(2), again);
  };
  driver->SetTimer(began + Duration::Milliseconds(3), again);
  int ends[2] = {};
  ASSERT_EQ(pipe(ends), 0);
  ASSERT_EQ(write(ends[1], "k", 1), 1);
  driver->WatchReadable(ends[0], [&](Instant) {
    driver->Unwatch(ends[0]);
    driver->CancelTimer(cancelled);
  });
  ASSERT_TRUE(driver->Run().ok());
  ASSERT_EQ(fired.size(), 3u);
  EXPECT_GE(fired[0], 3'000'000);
  EXPECT_GE(fired[1], fired[0] + 2'000'000);
  EXPECT_GE(fired[2], fired[1] + 2'000'000);
  close(ends[0]);
  close(ends[1]);
}

TEST(Driver, SignalCallsTheInterruptAndNotTheDefault) {
  MonotonicClock clock;
  auto driver = Driver::Create(clock);
  int interrupts = 0;
  driver->OnInterrupt([&](Instant) {
    if (++interrupts == 2) driver->Stop();
  });
  driver->SetTimer(Instant(), [](Instant) { raise(SIGINT); });
  driver->SetTimer(Instant(),
                   [&](Instant) { driver->SetTimer(Instant(), [](Instant) { raise(SIGTERM); }); });
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_GE(interrupts, 1);
  driver.reset();
  struct sigaction now = {};
  sigaction(SIGINT, nullptr, &now);
  EXPECT_EQ(now.sa_handler, SIG_DFL) << "the handler must go with the driver";
}

TEST(Driver, SignalBeforeRunIsToldByRun) {
  MonotonicClock clock;
  const auto driver = Driver::Create(clock);
  bool told = false;
  driver->OnInterrupt([&](Instant) {
    told = true;
    driver->Stop();
  });
  raise(SIGINT);
  EXPECT_FALSE(told);
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_TRUE(told);
}

TEST(Driver, WatchedDescriptorCalls) {
  MonotonicClock clock;
  const auto driver = Driver::Create(clock);
  int ends[2] = {};
  ASSERT_EQ(pipe(ends), 0);
  char got = 0;
  driver->WatchReadable(ends[0], [&](Instant) {
    EXPECT_EQ(read(ends[0], &got, 1), 1);
    driver->Unwatch(ends[0]);
    driver->Stop();
  });
  ASSERT_EQ(write(ends[1], "k", 1), 1);
  ASSERT_TRUE(driver->Run().ok());
  EXPECT_EQ(got, 'k');
  close(ends[0]);
  close(ends[1]);
}

}  // namespace
}  // namespace witness
