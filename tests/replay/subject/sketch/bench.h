// A board on the bench: a built sketch, with what its lines say written down.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <string>
#include <vector>

#include "replay/subject/sketch/board.h"
#include "replay/subject/sketch/pin_line.h"
#include "replay/subject/sketch/uart_line.h"

namespace trial {

inline std::string SketchElf(const std::string& name) {
  return std::string(BYTEWITNESS_BINARY_DIR) + "/sketches/" + name + ".elf";
}

// All 256 values, in order.
inline std::string AllBytes() {
  std::string all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  return all;
}

class Bench {
 public:
  explicit Bench(const std::string& sketch, const BoardSettings& settings = {}) {
    auto read = ReadElf(SketchElf(sketch));
    if (!read.ok()) ADD_FAILURE() << read.status().message();
    image = std::make_unique<ElfImage>(std::move(read).value());
    auto made = Board::Create(*image, settings);
    if (!made.ok()) ADD_FAILURE() << made.status().message();
    board = std::move(made).value();
  }

  UartLine& Uart(int number, double baud) {
    auto line = UartLine::Create(*board, number, baud);
    if (!line.ok()) ADD_FAILURE() << line.status().message();
    uart = std::move(line).value();
    uart->OnByte([this](const ByteOut& b) {
      from_uart += static_cast<char>(b.value);
      uart_bytes.push_back(b);
    });
    return *uart;
  }

  // The common board's pins 10 (receives) and 11 (transmits).
  PinLine& Pins(double baud) {
    auto line = PinLine::Create(*board, PinName{'B', 2}, PinName{'B', 3}, baud);
    if (!line.ok()) ADD_FAILURE() << line.status().message();
    pins = std::move(line).value();
    pins->OnByte([this](const ByteOut& b) {
      from_pins += static_cast<char>(b.value);
      pin_bytes.push_back(b);
    });
    return *pins;
  }

  std::uint64_t Ms(double ms) const {
    return static_cast<std::uint64_t>(ms * board->clock_hz() / 1000);
  }
  BoardState Run(double ms) { return board->RunUntil(Ms(ms)); }

  int Count(const BoardLine& line, Fate fate) const {
    int n = 0;
    for (const ByteIn& b : line.sent()) n += b.fate == fate ? 1 : 0;
    return n;
  }

  std::unique_ptr<ElfImage> image;
  std::unique_ptr<Board> board;
  std::unique_ptr<UartLine> uart;
  std::unique_ptr<PinLine> pins;
  std::string from_uart, from_pins;
  std::vector<ByteOut> uart_bytes, pin_bytes;
};

}  // namespace trial
