// A serial line as a voltage over time: what a receiver makes of bytes that were sent at another
// rate or format. Asynchronous start-stop format: idle 1, start bit 0, data bits least significant
// first, parity, stop bits 1; a receiver samples in the middle of each bit, counted from the
// falling edge (common practice, no source).
#pragma once

#include <cmath>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/line_settings.h"

namespace witness {

struct ReceivedByte {
  Instant at;  // middle of its stop bit
  char byte = 0;
  bool framing_error = false;
  bool parity_error = false;
};

class Waveform {
 public:
  Waveform(Instant start, ByteView bytes, const LineSettings& sender)
      : start_(static_cast<double>(start.ns())), bit_(1e9 / sender.baud) {
    for (const char c : bytes) {
      const auto value = static_cast<unsigned char>(c);
      bits_.push_back(false);
      bool ones = false;
      for (int i = 0; i < sender.data_bits; ++i) {
        const bool bit = (value >> i) & 1;
        bits_.push_back(bit);
        ones ^= bit;
      }
      if (sender.parity != Parity::kNone) bits_.push_back(ParityBit(sender.parity, ones));
      bits_.push_back(true);
      if (sender.stop_bits == StopBits::kTwo) bits_.push_back(true);
    }
  }

  Instant End() const {
    return Instant::FromNanoseconds(
        std::llround(start_ + bit_ * static_cast<double>(bits_.size())));
  }

  std::vector<ReceivedByte> Receive(const LineSettings& receiver) const {
    std::vector<ReceivedByte> out;
    const double bit = 1e9 / receiver.baud;
    double from = start_ - 1;
    for (std::size_t i = 0; i < bits_.size(); ++i) {
      const double edge = start_ + bit_ * static_cast<double>(i);
      if (bits_[i] || (i > 0 && !bits_[i - 1]) || edge < from) continue;
      double at = edge + bit / 2;
      if (Level(at)) continue;  // too short for a start bit
      unsigned value = 0;
      bool ones = false;
      for (int b = 0; b < receiver.data_bits; ++b) {
        at += bit;
        if (!Level(at)) continue;
        value |= 1u << b;
        ones = !ones;
      }
      ReceivedByte one;
      if (receiver.parity != Parity::kNone) {
        at += bit;
        one.parity_error = Level(at) != ParityBit(receiver.parity, ones);
      }
      at += bit;
      one.framing_error = !Level(at);
      one.byte = static_cast<char>(value);
      one.at = Instant::FromNanoseconds(std::llround(at));
      out.push_back(one);
      from = at;
    }
    return out;
  }

 private:
  static bool ParityBit(Parity parity, bool odd_ones) {
    switch (parity) {
      case Parity::kOdd:
        return !odd_ones;
      case Parity::kEven:
        return odd_ones;
      case Parity::kMark:
        return true;
      default:
        return false;
    }
  }
  bool Level(double t) const {
    const double index = std::floor((t - start_) / bit_);
    if (index < 0 || index >= static_cast<double>(bits_.size())) return true;
    return bits_[static_cast<std::size_t>(index)];
  }

  double start_;
  double bit_;
  std::vector<bool> bits_;
};

}  // namespace witness
