// What the emulator departs in from the hardware, and that the room makes it right. Letters as in
// board.h and uart_line.h.
#include <cmath>

#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

TEST(WorkaroundA, ByteTakesTenBitTimesAndGoesOutBehindTheOneBefore) {
  Bench bench("flush");
  bench.Uart(0, 9600);
  std::uint64_t high = 0, low = 0;
  bench.board->WatchPin({'B', 0},
                        [&](std::uint64_t now, bool level) { (level ? high : low) = now; });
  bench.board->StopAtGpior0();
  EXPECT_EQ(bench.Run(100), BoardState::kStopped);
  // 8N1 is 10 bit times a byte (start-stop format, common practice). The core sets UBRR 207 with
  // U2X at 16 MHz for 9600: 16e6 / 8 / 208 = 9615 baud (Microchip ATmega328P, "Examples of Baud
  // Rate Setting"), 1664 cycles a bit.
  ASSERT_EQ(bench.uart_bytes.size(), 20u);
  for (std::size_t i = 1; i < 20; ++i) {
    const auto apart = bench.uart_bytes[i].start - bench.uart_bytes[i - 1].start;
    EXPECT_GE(apart, 16640u) << i;
    EXPECT_LE(apart, 16640u + 160u) << i;
  }
  EXPECT_EQ(bench.from_uart, "abcdefghijklmnopqrst");
  EXPECT_NEAR(static_cast<double>(low - high), 20 * 16640.0, 0.02 * 20 * 16640);
}

TEST(WorkaroundB, DataRegisterIsEmptyAfterBegin) {
  Bench bench("flush");
  bench.Uart(0, 9600);
  bench.board->StopAtGpior0();
  bench.Run(100);
  constexpr std::uint16_t kGpior1 = 0x4a;
  EXPECT_NE(bench.board->Data(kGpior1) & (1 << 5), 0);  // UDRE0
}

TEST(WorkaroundC, PortWritesDoNotDisturbAPulledUpReceivePin) {
  Bench bench("bounce_pins_9600");
  bench.Uart(0, 115200);
  PinLine& radio = bench.Pins(9600);
  bench.Run(10);
  radio.Send(bench.board->cycle(), "OKsedge-a 1.8\r\nU");
  bench.Run(200);
  EXPECT_EQ(bench.from_uart, "OKsedge-a 1.8\r\nU");
}

TEST(WorkaroundD, CallsOfOursSurviveAWatchdogReset) {
  Bench bench("wild");
  UartLine& uart = bench.Uart(0, 115200);
  std::vector<ResetCause> causes;
  bench.board->OnReset([&](ResetCause cause, std::uint64_t) { causes.push_back(cause); });
  bool called = false;
  bench.Run(5);
  uart.Send(bench.board->cycle(), "w");
  bench.board->At(bench.Ms(60), [&](std::uint64_t) { called = true; });
  bench.Run(80);
  EXPECT_TRUE(called);
  ASSERT_EQ(causes.size(), 1u);
  EXPECT_EQ(causes[0], ResetCause::kWatchdog);
  // MCUSR at the second start: WDRF, bit 3 (Microchip ATmega328P, "MCUSR"). PORF at the first.
  EXPECT_EQ(bench.from_uart, "18");
}

TEST(WorkaroundD, PinsAreWatchedAcrossAReset) {
  Bench bench("wild");
  UartLine& uart = bench.Uart(0, 115200);
  int rises = 0;
  bench.board->WatchPin({'B', 0}, [&](std::uint64_t, bool level) { rises += level ? 1 : 0; });
  bench.Run(5);
  uart.Send(bench.board->cycle(), "w");
  bench.Run(80);
  EXPECT_EQ(rises, 2);
}

TEST(WorkaroundD, SoftwarePortReceivesAfterABrownOut) {
  Bench bench("bounce_pins_9600");
  bench.Uart(0, 115200);
  PinLine& radio = bench.Pins(9600);
  std::vector<ResetCause> causes;
  bench.board->OnReset([&](ResetCause cause, std::uint64_t) { causes.push_back(cause); });
  bench.board->At(bench.Ms(20), [&](std::uint64_t) { bench.board->BrownOut(); });
  bench.Run(40);
  radio.Send(bench.board->cycle(), "OK");
  bench.Run(200);
  EXPECT_EQ(bench.from_uart, "OK");
  ASSERT_EQ(causes.size(), 1u);
  EXPECT_EQ(causes[0], ResetCause::kBrownOut);
}

TEST(WorkaroundE, JumpToZeroIsSeen) {
  Bench bench("wild");
  UartLine& uart = bench.Uart(0, 115200);
  std::vector<ResetCause> causes;
  bench.board->OnReset([&](ResetCause cause, std::uint64_t) { causes.push_back(cause); });
  bench.Run(5);
  uart.Send(bench.board->cycle(), "j");
  bench.Run(30);
  ASSERT_EQ(causes.size(), 1u);
  EXPECT_EQ(causes[0], ResetCause::kJumpToZero);
  EXPECT_EQ(bench.from_uart, "10");  // no cause flag: it was no reset
}

TEST(WorkaroundE, StartIsNotTakenForAJump) {
  Bench bench("wild");
  bench.Uart(0, 115200);
  int resets = 0;
  bench.board->OnReset([&](ResetCause, std::uint64_t) { ++resets; });
  bench.Run(50);
  EXPECT_EQ(resets, 0);
}

TEST(WorkaroundF, FourthUnreadByteIsOverrun) {
  Bench bench("noints");
  UartLine& uart = bench.Uart(0, 115200);
  bench.Run(5);
  std::string sent;
  for (int i = 0; i < 40; ++i) sent += static_cast<char>(i);
  uart.Send(bench.board->cycle(), sent);
  bench.Run(100);
  // 1 ms is 11.5 bytes at 115200; three are held (two in the buffer, one in the shift register:
  // Microchip ATmega328P, "Receiver Error Flags", data overrun).
  const int lost = bench.Count(uart, Fate::kOverrun);
  EXPECT_GE(lost, 8);
  EXPECT_LE(lost, 10);
  EXPECT_EQ(bench.from_uart.size(), 40u - static_cast<unsigned>(lost));
  EXPECT_EQ(bench.from_uart.substr(0, 0x14), sent.substr(0, 0x14));
  EXPECT_EQ(bench.from_uart.substr(0x14), sent.substr(0x14 + static_cast<unsigned>(lost)));
}

TEST(WorkaroundG, BreakIsAFramingError) {
  Bench bench("framing");
  UartLine& uart = bench.Uart(0, 9600);
  bench.Run(5);
  uart.Send(bench.board->cycle(), "a");
  uart.SendBreak(uart.IdleFrom());
  uart.Send(uart.IdleFrom(), "b");
  bench.Run(60);
  EXPECT_EQ(bench.from_uart, std::string("a.\0Fb.", 6));
}

TEST(WorkaroundG, WrongRateGivesRubbish) {
  Bench bench("framing");
  UartLine& uart = bench.Uart(0, 19200);
  bench.Run(5);
  uart.Send(bench.board->cycle(), "OKsedge-a 1.8");
  bench.Run(60);
  EXPECT_EQ(bench.Count(uart, Fate::kTaken), 0);
  EXPECT_FALSE(bench.from_uart.empty());
}

TEST(WorkaroundG, ShortGlitchIsNoByteForAUart) {
  Bench bench("framing");
  UartLine& uart = bench.Uart(0, 9600);
  WaveFlaws flaws;
  flaws.glitch = 0.3;
  flaws.glitch_every = 1;
  uart.SetFlaws(flaws);
  bench.Run(5);
  uart.Send(bench.board->cycle(), "ab");
  bench.Run(60);
  EXPECT_EQ(bench.from_uart, "a.b.");
}

TEST(Board, RingKeepsTheFirstSixtyThreeBytes) {
  Bench bench("busy");
  UartLine& uart = bench.Uart(0, 115200);
  bench.board->StopAtGpior0();
  bench.Run(1);
  std::string sent;
  for (int i = 0; i < 200; ++i) sent += static_cast<char>(i);
  uart.Send(bench.board->cycle(), sent);
  bench.Run(100);
  // A ring of 64 holds 63 (HardwareSerial.cpp of arduino-core-avr 1.8.7, _rx_complete_irq).
  EXPECT_EQ(bench.from_uart, sent.substr(0, 63));
  EXPECT_EQ(bench.Count(uart, Fate::kTaken), 63);
  EXPECT_EQ(bench.Count(uart, Fate::kBufferFull), 137);
}

TEST(Board, BytesBeforeBeginAreLost) {
  Bench bench("busy");
  UartLine& uart = bench.Uart(0, 115200);
  uart.Send(0, "x");
  bench.Run(10);
  EXPECT_EQ(bench.Count(uart, Fate::kReceiverOff), 1);
}

TEST(Board, WritePastMemoryIsACrash) {
  Bench bench("wild");
  UartLine& uart = bench.Uart(0, 115200);
  bench.Run(5);
  uart.Send(bench.board->cycle(), "c");
  EXPECT_EQ(bench.Run(30), BoardState::kCrashed);
}

TEST(Board, SleepWithInterruptsOffIsTold) {
  Bench bench("wild");
  UartLine& uart = bench.Uart(0, 115200);
  bench.Run(5);
  uart.Send(bench.board->cycle(), "s");
  EXPECT_EQ(bench.Run(30), BoardState::kAsleep);
}

TEST(Board, TooLargeASketchIsRefused) {
  ElfImage image;
  image.flash = witness::Bytes(40000, '\0');
  auto board = Board::Create(image, {"atmega328p", 0});
  ASSERT_FALSE(board.ok());
  EXPECT_NE(board.status().message().find("40000"), std::string::npos);
}

TEST(Board, UnknownPartIsNamed) {
  ElfImage image;
  image.flash = witness::Bytes(2, '\0');
  auto board = Board::Create(image, {"sedge", 0});
  ASSERT_FALSE(board.ok());
  EXPECT_NE(board.status().message().find("sedge"), std::string::npos);
}

class OtherParts : public testing::TestWithParam<std::pair<const char*, const char*>> {};
TEST_P(OtherParts, SecondUartAnswers) {
  Bench bench(GetParam().first);
  EXPECT_EQ(bench.board->mcu(), GetParam().second);
  UartLine& uart = bench.Uart(1, 9600);
  bench.Run(20);
  uart.Send(bench.board->cycle(), "HAL");
  bench.Run(60);
  EXPECT_EQ(bench.from_uart, "IBM");
}
INSTANTIATE_TEST_SUITE_P(All, OtherParts,
                         testing::Values(std::pair("second_uart", "atmega2560"),
                                         std::pair("leonardo_uart", "atmega32u4")));

TEST(Board, MissingUartIsNamedWithThoseThatAreThere) {
  Bench bench("busy");
  auto line = UartLine::Create(*bench.board, 3, 9600);
  ASSERT_FALSE(line.ok());
  EXPECT_NE(line.status().message().find("uart0"), std::string::npos);
}

TEST(Pins, NumbersAreTheCommonBoards) {
  EXPECT_EQ(*ParsePin("13", "atmega328p"), (PinName{'B', 5}));
  EXPECT_EQ(*ParsePin("0", "atmega328p"), (PinName{'D', 0}));
  EXPECT_EQ(*ParsePin("A0", "atmega328p"), (PinName{'C', 0}));
  EXPECT_EQ(*ParsePin("pb2", "atmega2560"), (PinName{'B', 2}));
  EXPECT_FALSE(ParsePin("13", "atmega2560").ok());
  EXPECT_FALSE(ParsePin("20", "atmega328p").ok());
  EXPECT_FALSE(ParsePin("PB8", "atmega328p").ok());
  EXPECT_FALSE(ParsePin("", "atmega328p").ok());
}

}  // namespace
}  // namespace trial
