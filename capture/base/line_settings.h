// How a line is set: rate and character format.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace witness {

enum class Parity : std::uint8_t { kNone, kOdd, kEven, kMark, kSpace };
enum class StopBits : std::uint8_t { kOne, kTwo };
enum class FlowControl : std::uint8_t { kNone, kRtsCts, kXonXoff };

struct LineSettings {
  std::uint32_t baud = 9600;  // bits per second; 0: the line has no rate of its own (TCP, pty)
  std::uint8_t data_bits = 8;
  Parity parity = Parity::kNone;
  StopBits stop_bits = StopBits::kOne;
  FlowControl flow = FlowControl::kNone;

  bool operator==(const LineSettings&) const = default;

  // Bits that one character takes on the line: start + data + parity + stop. 10 for 8N1
  // (asynchronous start-stop format, common practice).
  int BitsPerCharacter() const {
    return 1 + data_bits + (parity == Parity::kNone ? 0 : 1) +
           (stop_bits == StopBits::kOne ? 1 : 2);
  }
  // Time of one character; zero if baud is 0.
  Duration CharacterTime() const {
    if (baud == 0) return Duration::Zero();
    return Duration::Nanoseconds((std::int64_t{BitsPerCharacter()} * 1'000'000'000 + baud / 2) /
                                 baud);
  }
};

// "9600 8N1", "115200 7E2 RTS/CTS".
std::string FormatLineSettings(const LineSettings& settings);

// Reads "8N1", "7e2", ... into data bits, parity and stop bits of `settings`.
Status ParseFormat(std::string_view text, LineSettings& settings);

}  // namespace witness
