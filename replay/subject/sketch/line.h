// One serial line of an emulated board: what goes in, what comes out, when, and what became of it.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "replay/subject/sketch/waveform.h"

namespace trial {

// What became of a byte that was sent to the board.
enum class Fate : std::uint8_t {
  kUnknown = 0,      // on its way, or nothing tells
  kTaken = 1,        // in the sketch's receive buffer, or read by it
  kGarbled = 2,      // taken, but as another value
  kReceiverOff = 3,  // the UART's receiver was not enabled (yet)
  kOverrun = 4,     // the UART's own three places were full: the sketch had interrupts off too long
  kBufferFull = 5,  // the core's receive buffer was full: the sketch did not read in time
  kNotListening = 6,  // the software port of this line was not the one that listens
  kMissed = 7,        // the software port listened, but its interrupt came too late or not at all
  kFramingError = 8,  // came with a framing error (rate wrong, or a break)
};
const char* FateWord(Fate fate);

struct ByteIn {
  std::uint64_t start = 0;  // cycle of the start bit
  std::uint64_t end = 0;    // cycle at which the last data bit is over and the stop bit is seen
  std::uint8_t value = 0;
  Fate fate = Fate::kUnknown;
  std::uint64_t settled = 0;  // cycle at which its fate was known
};

struct ByteOut {
  std::uint64_t start = 0;
  std::uint64_t end = 0;  // when the receiver has it: in the middle of the stop bit
  std::uint8_t value = 0;
  bool framing_error = false;
};

class BoardLine {
 public:
  virtual ~BoardLine() = default;

  // Sends to the board, not before `cycle` and not before what was sent before is through, at the
  // line's rate. Returns the cycle at which the last stop bit ends.
  virtual std::uint64_t Send(std::uint64_t cycle, witness::ByteView bytes) = 0;
  virtual std::uint64_t SendBreak(std::uint64_t cycle) = 0;
  // Cycle at which everything sent so far is through.
  virtual std::uint64_t IdleFrom() const = 0;
  virtual void SetFlaws(const WaveFlaws& flaws) = 0;

  // Bits a second that the board's side is set to now; 0: not known (yet).
  virtual double BoardRate() const = 0;

  void OnByte(std::function<void(const ByteOut&)> call) { on_byte_ = std::move(call); }
  // When a byte's fate is settled; `index` counts bytes sent to the board.
  void OnFate(std::function<void(std::size_t index, const ByteIn&)> call) {
    on_fate_ = std::move(call);
  }

  // When a byte to the board arrives and it is worth knowing what the sketch does at this moment:
  // on pins, each at its start bit; at a UART, those that find an earlier one unread.
  void OnArrival(std::function<void(std::size_t index)> call) { on_arrival_ = std::move(call); }

  const std::vector<ByteIn>& sent() const { return sent_; }
  // Cycles at which the board changed or closed its port while a byte of its own was on the wire.
  const std::vector<std::uint64_t>& cuts() const { return cuts_; }
  // ... at which it switched its transmitter off before all that it held was through.
  const std::vector<std::uint64_t>& stops() const { return stops_; }

 protected:
  void Settle(std::size_t index, Fate fate, std::uint64_t now) {
    if (sent_[index].fate != Fate::kUnknown) return;
    sent_[index].fate = fate;
    sent_[index].settled = now;
    if (on_fate_) on_fate_(index, sent_[index]);
  }

  std::vector<ByteIn> sent_;
  std::vector<std::uint64_t> cuts_;
  std::vector<std::uint64_t> stops_;
  std::function<void(const ByteOut&)> on_byte_;
  std::function<void(std::size_t, const ByteIn&)> on_fate_;
  std::function<void(std::size_t)> on_arrival_;
};

}  // namespace trial
