// The line at two pins of an emulated board that a software UART serves: bit by bit, both ways.
#pragma once

#include <deque>
#include <memory>
#include <optional>

#include "replay/subject/sketch/board.h"
#include "replay/subject/sketch/line.h"
#include "replay/subject/sketch/receive_buffer.h"

namespace trial {

class PinLine : public BoardLine {
 public:
  // `receive`: the pin on which the board listens; `transmit`: on which it speaks. `baud`: the rate
  // at which the far side sends and listens. `board` must outlive it.
  static witness::Result<std::unique_ptr<PinLine>> Create(Board& board, PinName receive,
                                                          PinName transmit, double baud);
  ~PinLine() override;

  std::uint64_t Send(std::uint64_t cycle, witness::ByteView bytes) override;
  std::uint64_t SendBreak(std::uint64_t cycle) override;
  std::uint64_t IdleFrom() const override;
  void SetFlaws(const WaveFlaws& flaws) override;
  // From the shortest pulse that the board has sent.
  double BoardRate() const override;

  double far_baud() const { return baud_; }
  const std::optional<SoftwarePorts>& ports() const { return ports_; }
  // Whether the sketch's software port of this line is the one that listens; true if not known.
  bool Listening() const;

 private:
  PinLine(Board& board, PinName receive, PinName transmit, double baud);
  void Queue(const std::vector<Edge>& edges);
  void Arm();
  void NextEdge(std::uint64_t now);
  void OnTransmit(std::uint64_t now, bool driven);
  void Decode();
  void WatchFate(std::size_t index, double start);

  Board& board_;
  const PinName receive_;
  const PinName transmit_;
  const double baud_;
  std::uint16_t pin_register_ = 0;  // of the receive pin
  std::optional<SoftwarePorts> ports_;
  std::unique_ptr<WaveSender> sender_;
  double sender_free_ = 0;
  std::deque<Edge> edges_;
  bool armed_ = false;

  bool high_ = false;  // transmit wire
  bool decoding_ = false;
  std::uint64_t start_ = 0;
  std::vector<Edge> seen_;  // since the start bit
  std::uint64_t last_change_ = 0;
  std::uint64_t shortest_ = 0;  // pulse inside a byte, in cycles
};

}  // namespace trial
