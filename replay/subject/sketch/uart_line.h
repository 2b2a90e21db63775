// The line at a hardware UART of an emulated board.
//
// The emulator's UART is put right where it departs from the data sheet (Microchip ATmega328P,
// "USART0"; letters as in the tests):
//  A  it counts 11 bits a byte whatever the format: the pace is set anew from UBRR, U2X and UCSRC.
//     It gives a byte to the outside when it is written: here it goes out one frame later, behind
//     the one before.
//  B  it leaves the "data register empty" flag at 0 when the transmitter is enabled.
//  F  its receiver holds 64 bytes: here two and the shift register, and the byte that finds all
//     three taken is lost with the data overrun flag set.
//  G  it knows no bit times on the receive side: here the bytes come as a waveform, are sampled in
//     the middle of the bits at the rate that the sketch has set, and give wrong bytes and framing
//     errors as a wrong rate, a break or a short stop bit would.
//  Reception of a byte is told in the middle of its stop bit.
// Not modelled: parity errors, the 9th bit, synchronous modes.
#pragma once

#include <deque>
#include <memory>
#include <optional>

#include "replay/subject/sketch/board.h"
#include "replay/subject/sketch/line.h"
#include "replay/subject/sketch/receive_buffer.h"

namespace trial {

class UartLine : public BoardLine {
 public:
  // `number`: 0 for UART0. `baud`: the rate at which the far side sends and listens; 0: whatever
  // the sketch has set. `board` must outlive it.
  static witness::Result<std::unique_ptr<UartLine>> Create(Board& board, int number, double baud);
  ~UartLine() override;

  std::uint64_t Send(std::uint64_t cycle, witness::ByteView bytes) override;
  std::uint64_t SendBreak(std::uint64_t cycle) override;
  std::uint64_t IdleFrom() const override;
  void SetFlaws(const WaveFlaws& flaws) override;
  double BoardRate() const override;
  double far_baud() const { return baud_; }

  // The core's ring behind this UART, if the sketch has one.
  const std::optional<ReceiveBuffer>& buffer() const { return buffer_; }

 private:
  struct Inside;
  UartLine(Board& board, int number, double baud);
  void SetPace();
  void FollowRate();
  void Expect();
  bool IsNoise(double start) const;
  void StartBit(std::uint64_t now);
  void StopBit(std::uint64_t start, std::uint64_t now);
  void Read(std::uint64_t now);
  std::size_t NextSent(double start);

  Board& board_;
  const int number_;
  const double baud_;
  std::unique_ptr<Inside> inside_;
  std::optional<ReceiveBuffer> buffer_;
  std::unique_ptr<WaveSender> sender_;
  WaveFlaws flaws_;
  double sender_baud_ = 0;
  double sender_free_ = 0;       // when the next byte to the board may start
  std::deque<Edge> edges_;       // of the receive wire, not yet past
  bool wire_high_ = true;        // before the first of edges_
  bool expecting_ = false;       // a call for the next start bit is out
  bool receiving_ = false;       // between start bit and stop bit
  std::size_t next_sent_ = 0;    // first byte whose start bit has not been reached
  std::uint64_t free_from_ = 0;  // transmit wire
};

}  // namespace trial
