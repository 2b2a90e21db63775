// A whole trial of a sketch: repeatable to the cycle, and what the observers say of it.
#include "replay/subject/sketch/session.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <functional>

#include "replay/part/part_text.h"
#include "replay/subject/sketch_job.h"
#include "replay/subject/sketch_settings.h"
#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

Part Module() {
  auto part = ParsePart(R"(
    command_end { terminator: "\r\n" }
    rule { command: "AT" answer { piece { after: "15ms" say: "\r\nOK\r\n" } } }
    rule { command: "AT+FW?"
           answer { piece { after: "15ms" say: "\r\n+FW: sedge-b 1.8\r\n\r\nOK\r\n" } } }
    rule { command: "AT+SIGNAL?"
           answer { piece { after: "15ms" say: "\r\n+SIGNAL: -71\r\n\r\nOK\r\n" } } })");
  EXPECT_TRUE(part.ok()) << part.status().message();
  return *part;
}

// All that was observed, with every byte's and pin's time.
Bytes RunOnce(const std::string& elf, const Part& part) {
  auto image = ReadElf(SketchElf(elf));
  EXPECT_TRUE(image.ok());
  SketchSettings settings;
  settings.elf = SketchElf(elf);
  settings.module = *ParseSketchPlace("pins:rx=10,tx=11");
  settings.watch_pins = {"11"};
  auto session = SketchSession::Create(*image, settings, 9600);
  EXPECT_TRUE(session.ok());
  (*session)->Boot();
  RunLimits limits;
  limits.expected_commands = 3;
  return SerializeSketchAnswer((*session)->Run(part, limits));
}

TEST(SketchSession, SameTrialIsTheSameToTheCycle) {
  Part part = Module();
  part.waveform.jitter_percent = 10;
  const Bytes once = RunOnce("watch", part);
  ASSERT_GT(once.size(), 2000u);  // pins, bytes and all
  EXPECT_EQ(RunOnce("watch", part), once);
  // Behind and beside another one.
  RunOnce("watch_lf", part);
  Bench bench("busy");
  EXPECT_EQ(RunOnce("watch", part), once);
  std::printf("observations: hash %zx\n", std::hash<Bytes>()(once));
}

TEST(SketchSession, PinsAreLineEventsOfTheConversation) {
  auto answer = DeserializeSketchAnswer(RunOnce("watch", Module()));
  ASSERT_TRUE(answer.ok());
  int pins = 0;
  int notes = 0;
  for (const witness::OwnedEvent& event : answer->conversation) {
    pins += event.event.kind == witness::EventKind::kPin ? 1 : 0;
    notes += event.event.kind == witness::EventKind::kNote ? 1 : 0;
  }
  EXPECT_GT(pins, 100);  // the transmit pin is watched: every edge of three commands
  EXPECT_EQ(notes, 3);   // what it printed
  EXPECT_EQ(answer->commands.size(), 3u);
  EXPECT_EQ(answer->ending, SubjectEnding::kOver);
}

TEST(SketchSession, HangIsNamedByItsFunction) {
  Part part = Module();
  part.rules[1].answers[0].pieces.clear();
  auto answer = DeserializeSketchAnswer(RunOnce("watch_forever", part));
  ASSERT_TRUE(answer.ok());
  EXPECT_EQ(answer->ending, SubjectEnding::kHung);
  EXPECT_NE(answer->ending_words.find("hung in "), std::string::npos) << answer->ending_words;
  EXPECT_NE(answer->ending_words.find("ask()"), std::string::npos) << answer->ending_words;
}

// The sender's rate that a UART bears. At 9600 baud and 16 MHz the core sets double speed, for
// which the data sheet recommends a receiver error of at most 1.5 % and gives -4.00 and +3.90 % as
// the limits for 8 data bits (Microchip ATmega328P, "Recommended Maximum Receiver Baud Rate Error
// for Double Speed Mode"; the board itself is off by +0.2 %). We sample in the middle of each bit,
// the hardware by three samples around it: so what is recommended is borne here, and 7 % is not.
TEST(Tolerance, UartBearsWhatTheDataSheetRecommends) {
  for (const double percent : {-3.5, -1.5, 0.0, 1.5, 3.5}) {
    Bench bench("framing");
    UartLine& uart = bench.Uart(0, 9600);
    WaveFlaws flaws;
    flaws.rate = 1 + percent / 100;
    uart.SetFlaws(flaws);
    bench.Run(5);
    uart.Send(bench.board->cycle(), "U");
    bench.Run(60);
    EXPECT_EQ(bench.from_uart, "U.") << percent << " %";
  }
  for (const double percent : {-7.0, 7.0}) {
    Bench bench("framing");
    UartLine& uart = bench.Uart(0, 9600);
    WaveFlaws flaws;
    flaws.rate = 1 + percent / 100;
    uart.SetFlaws(flaws);
    bench.Run(5);
    uart.Send(bench.board->cycle(), AllBytes().substr(128, 16));
    bench.Run(100);
    EXPECT_LT(bench.Count(uart, Fate::kTaken), 16) << percent << " %";
  }
}

TEST(Tolerance, SoftwarePortBearsFourPercentAndNotNine) {
  // Measured when the room was designed: 9600 baud -5.2 to +6.2 %.
  for (const double percent : {-9.0, -4.0, 0.0, 4.0, 9.0}) {
    Bench bench("bounce_pins_9600");
    bench.Uart(0, 115200);
    PinLine& radio = bench.Pins(9600);
    WaveFlaws flaws;
    flaws.rate = 1 + percent / 100;
    radio.SetFlaws(flaws);
    bench.Run(10);
    radio.Send(bench.board->cycle(), AllBytes());
    bench.Run(500);
    EXPECT_EQ(bench.Count(radio, Fate::kTaken) == 256, std::abs(percent) < 5) << percent << " %";
  }
}

}  // namespace
}  // namespace trial
