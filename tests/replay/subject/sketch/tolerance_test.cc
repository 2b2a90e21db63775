// How far the sender's rate may be off, beside what the data sheet gives.
//
// Microchip ATmega328P data sheet, "Recommended Maximum Receiver Baud Rate Error", 8 data bits
// without parity: at normal speed -4.54 to +4.58 % at most and ±2.0 % recommended, at double speed
// -4.00 to +3.90 % and ±1.5 %. The hardware decides by three samples around the middle of each bit,
// the model by the middle alone: so it may bear up to some 2 % more, and must bear what is
// recommended.
#include <cmath>
#include <cstdio>

#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

// Values with edges everywhere, and those that are longest without one.
std::string Values() {
  std::string values;
  for (int i = 0; i < 256; i += 5) values += static_cast<char>(i);
  return values + '\x00' + '\xff' + "UUU" + '\x80' + '\x01' + '\x7f' + '\xfe';
}

struct Range {
  double low = 0, high = 0;  // percent: every step from `low` to `high` was borne
};

// In steps of half a percent from 0 outwards.
template <typename Borne>
Range RangeOf(const Borne& borne) {
  Range range;
  while (range.high < 12 && borne(range.high + 0.5)) range.high += 0.5;
  while (range.low > -12 && borne(range.low - 0.5)) range.low -= 0.5;
  return range;
}

bool UartBears(int baud, double percent) {
  Bench bench("bounce_uart_" + std::to_string(baud));
  UartLine& uart = bench.Uart(0, baud);
  WaveFlaws flaws;
  flaws.rate = 1 + percent / 100;
  uart.SetFlaws(flaws);
  bench.Run(5);
  uart.Send(bench.board->cycle(), Values());
  bench.Run(5 + 1000.0 * 11 * static_cast<double>(Values().size()) / baud);
  return bench.Count(uart, Fate::kTaken) == static_cast<int>(Values().size());
}

bool PinsBear(int baud, double percent) {
  Bench bench("bounce_pins_" + std::to_string(baud));
  PinLine& radio = bench.Pins(baud);
  WaveFlaws flaws;
  flaws.rate = 1 + percent / 100;
  radio.SetFlaws(flaws);
  bench.Run(10);
  radio.Send(bench.board->cycle(), Values());
  bench.Run(10 + 1000.0 * 11 * static_cast<double>(Values().size()) / baud);
  return bench.Count(radio, Fate::kTaken) == static_cast<int>(Values().size());
}

// Rate that the core sets at 16 MHz: double speed but at 57600 (HardwareSerial.cpp, begin()), where
// UBRR is 16: 58824 baud, +2.1 %. What is borne lies around the board's own error.
class UartTolerance : public testing::TestWithParam<int> {};

TEST_P(UartTolerance, IsNearTheDataSheets) {
  const int baud = GetParam();
  const bool normal = baud == 57600;
  const double divisor = normal ? 16 : 8;
  const double own = 100 * (16e6 / (divisor * std::round(16e6 / divisor / baud)) / baud - 1);
  const double recommended = normal ? 2.0 : 1.5;
  const double most_low = normal ? -4.54 : -4.00, most_high = normal ? 4.58 : 3.90;
  const Range range = RangeOf([baud](double percent) { return UartBears(baud, percent); });
  std::printf(
      "%6d baud, uart: %+.1f to %+.1f %% borne; board %+.2f %%; data sheet %+.2f to "
      "%+.2f %%, recommended ±%.1f %%\n",
      baud, range.low, range.high, own, most_low, most_high, recommended);
  EXPECT_GE(range.high, own + recommended - 0.5);
  EXPECT_LE(range.low, own - recommended + 0.5);
  EXPECT_LE(range.high, own + most_high + 2);
  EXPECT_GE(range.low, own + most_low - 2);
}

INSTANTIATE_TEST_SUITE_P(Rates, UartTolerance, testing::Values(9600, 19200, 38400, 57600));

// A software port has no data sheet: it samples once a bit, by counting cycles. Found when it was
// first modelled: 9600 baud -5.2 to +6.2 %, 38400 -4.2 to +5.2 %.
class PinsTolerance : public testing::TestWithParam<int> {};

TEST_P(PinsTolerance, IsThatOfAPortThatCountsCycles) {
  const int baud = GetParam();
  const Range range = RangeOf([baud](double percent) { return PinsBear(baud, percent); });
  // The same data sheet's recommendation for the UART at normal speed, to lay beside it.
  std::printf("%6d baud, pins: %+.1f to %+.1f %% borne; a UART's data sheet recommends ±2.0 %%\n",
              baud, range.low, range.high);
  EXPECT_LE(range.low, -2.0);
  EXPECT_GE(range.high, 2.0);
  EXPECT_GE(range.low, -7.0);
  EXPECT_LE(range.high, 7.0);
}

INSTANTIATE_TEST_SUITE_P(Rates, PinsTolerance, testing::Values(9600, 19200, 38400, 57600));

}  // namespace
}  // namespace trial
