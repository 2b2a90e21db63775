// All byte values both ways, and how far the sender's rate may be off.
#include <cstdio>

#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

TEST(AllBytes, HardwareUartBothWays) {
  Bench bench("bounce_uart");
  UartLine& uart = bench.Uart(0, 115200);
  bench.Run(5);
  uart.Send(bench.board->cycle(), AllBytes());
  bench.Run(200);
  EXPECT_EQ(bench.from_uart, AllBytes());
  EXPECT_EQ(bench.Count(uart, Fate::kTaken), 256);
}

class SoftwarePort : public testing::TestWithParam<int> {};

TEST_P(SoftwarePort, ReceivesEveryValue) {
  Bench bench("bounce_pins_" + std::to_string(GetParam()));
  bench.Uart(0, 115200);
  PinLine& radio = bench.Pins(GetParam());
  bench.Run(10);
  radio.Send(bench.board->cycle(), AllBytes());
  bench.Run(500);
  EXPECT_EQ(bench.from_uart, AllBytes());
  EXPECT_EQ(bench.Count(radio, Fate::kTaken), 256);
}

TEST_P(SoftwarePort, SendsEveryValue) {
  Bench bench("bounce_pins_" + std::to_string(GetParam()));
  UartLine& uart = bench.Uart(0, 115200);
  PinLine& radio = bench.Pins(GetParam());
  bench.Run(10);
  uart.Send(bench.board->cycle(), "A");
  bench.Run(500);
  EXPECT_EQ(bench.from_pins, AllBytes());
  EXPECT_NEAR(radio.BoardRate(), GetParam(), 0.03 * GetParam());
}

INSTANTIATE_TEST_SUITE_P(Rates, SoftwarePort, testing::Values(9600, 19200, 38400, 57600));

}  // namespace
}  // namespace trial
