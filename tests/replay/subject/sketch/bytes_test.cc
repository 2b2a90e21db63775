// All byte values both ways, on either kind of port.
#include <cstdio>

#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

class HardwarePort : public testing::TestWithParam<int> {};

TEST_P(HardwarePort, AllBytesBothWays) {
  Bench bench("bounce_uart_" + std::to_string(GetParam()));
  UartLine& uart = bench.Uart(0, GetParam());
  bench.Run(5);
  uart.Send(bench.board->cycle(), AllBytes());
  bench.Run(700);
  EXPECT_EQ(bench.from_uart, AllBytes());
  EXPECT_EQ(bench.Count(uart, Fate::kTaken), 256);
}

INSTANTIATE_TEST_SUITE_P(Rates, HardwarePort, testing::Values(9600, 19200, 38400, 57600, 115200));

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
