// Our ports on real drivers: 16550 (8250 driver) and FT232R (ftdi_sio).
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>

#include "capture/line/open_port.h"
#include "tests/line_bench/emulated_adapter.h"
#include "tests/line_bench/heard.h"

namespace witness::line_bench {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

LineSettings At(std::uint32_t baud, const char* format = "8N1") {
  LineSettings settings;
  settings.baud = baud;
  ParseFormat(format, settings).Ignore();
  return settings;
}

// One adapter, plugged, and our port on it.
class AdapterTest : public testing::Test {
 protected:
  void SetUp() override {
    ASSERT_TRUE(adapter.Plug());
    node = WaitForNode("BENCH0001");
    ASSERT_NE(node, "");
    Result<std::unique_ptr<Port>> opened = OpenPort(node);
    ASSERT_TRUE(opened.ok()) << opened.status().message();
    port = *std::move(opened);
    ASSERT_TRUE(port->Configure(At(9600)).ok());
    heard = std::make_unique<Heard>(*port);
  }
  void TearDown() override {
    heard.reset();
    if (port) {
      EXPECT_TRUE(port->Close().ok());
    }
    adapter.Unplug();
    EXPECT_TRUE(WaitUntilGone(node, 3000));
  }

  bool Has(const std::string& item) const {
    return std::find(heard->items.begin(), heard->items.end(), item) != heard->items.end();
  }
  // What counts were delivered with this name, added up.
  int Sum(const std::string& name) const {
    int sum = 0;
    for (const std::string& item : heard->items)
      if (item.starts_with(name)) sum += std::stoi(item.substr(name.size()));
    return sum;
  }
  // Without counts; runs of bytes that only counts stood between are joined.
  std::vector<std::string> OnlyBytesAndMarks() const {
    std::vector<std::string> out;
    for (const std::string& item : heard->items) {
      if (!item.starts_with("bytes ") && !item.starts_with("bad ") && item != "break") continue;
      if (item.starts_with("bytes ") && !out.empty() && out.back().starts_with("bytes "))
        out.back() += item.substr(6);
      else
        out.push_back(item);
    }
    return out;
  }

  EmulatedAdapter adapter{"BENCH0001", 0};
  std::string node;
  std::unique_ptr<Port> port;
  std::unique_ptr<Heard> heard;
};

TEST(Ports, ListTellsBothDriversAndUsbFacts) {
  EmulatedAdapter adapter("BENCH0042", 1);
  ASSERT_TRUE(adapter.Plug());
  const std::string node = WaitForNode("BENCH0042");
  bool found_adapter = false;
  bool found_uart = false;
  for (const PortFacts& port : ListPorts()) {
    if (port.name == "/dev/ttyS4") {
      found_uart = true;
      EXPECT_EQ(port.driver, "serial");  // of the PCI card, by sysfs
      EXPECT_EQ(port.usb_vendor, -1);
    }
    if (port.name != node) continue;
    found_adapter = true;
    EXPECT_EQ(port.driver, "ftdi_sio");
    EXPECT_EQ(port.usb_vendor, 0x0403);
    EXPECT_EQ(port.usb_product, 0x6001);
    EXPECT_EQ(port.serial_number, "BENCH0042");
    EXPECT_EQ(port.description, "Bench UART");
    EXPECT_EQ(port.maker, "Line Bench");
    EXPECT_EQ(port.latency_timer_ms, 16);
  }
  EXPECT_TRUE(found_adapter);
  EXPECT_TRUE(found_uart);
}

TEST(Uart, CarriesBytesBothWaysWithSettingsReadBack) {
  Result<std::unique_ptr<Port>> a = OpenPort("/dev/ttyS4");
  Result<std::unique_ptr<Port>> b = OpenPort("/dev/ttyS5");
  ASSERT_TRUE(a.ok() && b.ok());
  const Result<LineSettings> got = (*a)->Configure(At(19200, "7E2"));
  ASSERT_TRUE(got.ok());
  EXPECT_EQ(*got, At(19200, "7E2"));
  ASSERT_TRUE((*a)->Configure(At(115200)).ok());
  ASSERT_TRUE((*b)->Configure(At(115200)).ok());
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  Heard from_a(**b);
  ASSERT_EQ((*a)->Write(ByteView("AT+FW?\r")).value(), 7u);
  EXPECT_TRUE(from_a.Until([&] { return from_a.bytes.size() == 7; }));
  EXPECT_EQ(from_a.bytes, "AT+FW?\r");
  Heard from_b(**a);
  for (int i = 0; i < 4; ++i) ASSERT_EQ((*b)->Write(ByteView(all).substr(i * 64, 64)).value(), 64u);
  EXPECT_TRUE(from_b.Until([&] { return from_b.bytes.size() == 256; }));
  EXPECT_EQ(from_b.bytes, all);
}

TEST_F(AdapterTest, EveryByteValueComesAndGoes) {
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  adapter.Deliver(all);
  EXPECT_TRUE(heard->Until([&] { return heard->bytes.size() == 256; }));
  EXPECT_EQ(heard->bytes, all);
  heard->Write(all);
  EXPECT_TRUE(heard->Until([&] { return adapter.state().written.size() == 256; }));
  EXPECT_EQ(adapter.state().written, all);
}

TEST_F(AdapterTest, SettingsReachTheChip) {
  const Result<LineSettings> got = port->Configure(At(19200, "7E2"));
  ASSERT_TRUE(got.ok()) << got.status().message();
  EXPECT_EQ(*got, At(19200, "7E2"));
  const EmulatedAdapter::State state = adapter.state();
  EXPECT_EQ(state.data_bits, 7);
  EXPECT_EQ(state.parity, 2);
  EXPECT_EQ(state.stop_bits, 2);
  EXPECT_NEAR(state.baud, 19200, 30);
}

TEST_F(AdapterTest, OddRatesReachTheChip) {
  for (const std::uint32_t baud : {31250u, 74880u, 250000u, 3000000u}) {
    const Result<LineSettings> got = port->Configure(At(baud));
    ASSERT_TRUE(got.ok()) << got.status().message();
    EXPECT_EQ(got->baud, baud);
    EXPECT_NEAR(adapter.state().baud, baud, baud * 0.003) << baud;
  }
}

TEST_F(AdapterTest, BreakComesBetweenBytesAndIsCounted) {
  adapter.Deliver("A");
  adapter.DeliverBreak();
  adapter.Deliver("B");
  EXPECT_TRUE(heard->Until([&] { return heard->bytes == "AB"; }));
  EXPECT_TRUE(Has("break"));
  EXPECT_TRUE(Has("breaks 1"));
  EXPECT_THAT(OnlyBytesAndMarks(), ElementsAre("bytes A", "break", "bytes B"));
}

TEST_F(AdapterTest, ParityAndFramingErrorsMarkTheirByteAndAreCounted) {
  adapter.Deliver("a");
  adapter.Deliver("P", kParityFault);
  adapter.Deliver("b");
  adapter.Deliver("F", kFramingFault);
  adapter.Deliver("\xff", kFramingFault);
  adapter.Deliver(std::string_view("\0", 1), kParityFault);
  adapter.Deliver("c\xff");
  EXPECT_TRUE(heard->Until([&] { return heard->bytes.size() == 8; }));
  EXPECT_THAT(OnlyBytesAndMarks(), ElementsAre("bytes a", "bad P", "bytes b", "bad F", "bad \\xff",
                                               "bad \\x00", "bytes c\\xff"));
  EXPECT_EQ(Sum("parity "), 2);
  EXPECT_EQ(Sum("framing "), 2);
  EXPECT_EQ(Sum("breaks "), 0);
}

TEST_F(AdapterTest, OverrunIsCountedAndAddsNoByte) {
  adapter.Deliver("x");
  adapter.Deliver("y", kOverrunFault);
  adapter.Deliver("z");
  EXPECT_TRUE(heard->Until([&] { return heard->bytes == "xyz"; }));
  EXPECT_EQ(heard->bytes, "xyz");
  EXPECT_EQ(Sum("overrun "), 1);
}

TEST_F(AdapterTest, LineChangesComeAsTheyHappen) {
  adapter.SetInputs(kCtsInput);  // DSR off
  EXPECT_TRUE(heard->Until([&] { return Has("lines dsr=0"); }));
  adapter.SetInputs(kCtsInput | kDcdInput);
  EXPECT_TRUE(heard->Until([&] { return Has("lines dcd=1"); }));
  adapter.SetInputs(kDcdInput | kRiInput);
  EXPECT_TRUE(heard->Until([&] { return Has("lines cts=0 ri=1"); }));
  adapter.SetInputs(kCtsInput | kDsrInput);
  EXPECT_TRUE(heard->Until([&] { return Has("lines cts=1 dsr=1 dcd=0 ri=0"); }));
  EXPECT_THAT(heard->items, ElementsAre("lines dsr=0", "lines dcd=1", "lines cts=0 ri=1",
                                        "lines cts=1 dsr=1 dcd=0 ri=0"));
}

TEST_F(AdapterTest, PulseShorterThanALookIsTwoChanges) {
  for (int i = 0; i < 5; ++i) {
    adapter.SetInputs(kDsrInput);
    adapter.SetInputs(kDsrInput | kCtsInput);
    heard->For(Duration::Milliseconds(i == 0 ? 300 : 50));
  }
  EXPECT_EQ(std::count(heard->items.begin(), heard->items.end(), "lines cts=0"), 5);
  EXPECT_EQ(std::count(heard->items.begin(), heard->items.end(), "lines cts=1"), 5);
}

TEST_F(AdapterTest, SetsRtsAndDtrAndSendsBreaks) {
  constexpr std::uint32_t kRts = 1;
  constexpr std::uint32_t kDtr = 4;
  ASSERT_TRUE(port->SetLines(kRts | kDtr, 0).ok());
  EXPECT_TRUE(adapter.WaitFor([](const auto& s) { return !s.rts && !s.dtr; }, 1000));
  ASSERT_TRUE(port->SetLines(kRts | kDtr, kDtr).ok());
  EXPECT_TRUE(adapter.WaitFor([](const auto& s) { return !s.rts && s.dtr; }, 1000));
  ASSERT_TRUE(port->SendBreak(Duration::Milliseconds(20)).ok());
  EXPECT_TRUE(adapter.WaitFor([](const auto& s) { return s.breaks == 1 && !s.break_on; }, 1000));
}

TEST_F(AdapterTest, UnplugIsNoticedWithinFiftyMilliseconds) {
  heard->For(Duration::Milliseconds(20));
  const Instant pulled = heard->clock.Now();
  adapter.Unplug();
  EXPECT_TRUE(heard->Until([&] { return heard->ended; }));
  EXPECT_EQ(heard->end_outcome, ReadOutcome::kGone);
  EXPECT_LT((heard->ended_at - pulled).milliseconds(), 50.0);
}

TEST_F(AdapterTest, BusyPortNamesItsHolder) {
  int told[2];
  ASSERT_EQ(pipe(told), 0);
  ASSERT_TRUE(port->Close().ok());
  const pid_t child = fork();
  if (child == 0) {
    Result<std::unique_ptr<Port>> held = OpenPort(node);
    [[maybe_unused]] const ssize_t n = write(told[1], held.ok() ? "y" : "n", 1);
    for (;;) pause();
  }
  char answer = 0;
  ASSERT_EQ(read(told[0], &answer, 1), 1);
  ASSERT_EQ(answer, 'y');
  const Result<std::unique_ptr<Port>> second = OpenPort(node);
  kill(child, SIGKILL);
  waitpid(child, nullptr, 0);
  ASSERT_FALSE(second.ok());
  EXPECT_THAT(second.status().message(),
              HasSubstr("line_bench_test (process " + std::to_string(child) + ")"));
  EXPECT_TRUE(OpenPort(node).ok());
  close(told[0]);
  close(told[1]);
}

TEST_F(AdapterTest, CloseDoesNotHangOnAPeerThatTakesNothing) {
  adapter.HoldWrites(true);
  ASSERT_TRUE(port->Write(Bytes(2000, 'x')).ok());
  heard.reset();
  MonotonicClock clock;
  const Instant began = clock.Now();
  ASSERT_TRUE(port->Close().ok());
  port.reset();
  EXPECT_LT((clock.Now() - began).seconds(), 1.5);
  adapter.HoldWrites(false);
}

}  // namespace
}  // namespace witness::line_bench
