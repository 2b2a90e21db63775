// The core's receive buffers inside the sketch's RAM, found by the names in its ELF file.
//
// HardwareSerial keeps a ring of 64 bytes in the object, SoftwareSerial one ring of 64 bytes for
// all of its objects (sources: HardwareSerial.h and SoftwareSerial.h of Debian's arduino-core-avr
// 1.8.7; the objects' layout follows from them and is checked against the symbols' sizes). A sketch
// without these names, or with another core, gives no buffer, and nothing is claimed about it.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "replay/subject/sketch/board.h"

namespace trial {

// Where a ring lies in data memory.
struct ReceiveBuffer {
  std::uint16_t data = 0;
  std::uint16_t size = 0;
  std::uint16_t put = 0;   // address of the index at which the next byte is put
  std::uint16_t take = 0;  // address of the index at which the next byte is taken

  std::uint16_t Waiting(const Board& board) const;
  bool Full(const Board& board) const { return Waiting(board) + 1 >= size; }
};

// The ring of UART `number` ("Serial", "Serial1", ...).
std::optional<ReceiveBuffer> FindUartBuffer(const ElfImage& image, int number);

// The ring that all software ports share, and how to tell which port listens.
struct SoftwarePorts {
  ReceiveBuffer buffer;
  std::uint16_t active_object = 0;  // address of the pointer to the listening object
};
std::optional<SoftwarePorts> FindSoftwarePorts(const ElfImage& image);

// Whether the listening software port's receive pin is `pin`. `pin_register` is the address of the
// port's PIN register.
bool ListensAt(const Board& board, const SoftwarePorts& ports, std::uint16_t pin_register,
               std::uint8_t bit);

// A software port that the sketch has opened, wherever it listens now.
struct OpenSoftwarePort {
  PinName receive;
  PinName transmit;
  std::uint32_t baud = 0;
};
// Those that are variables of their own; by address. Empty if the names are not there.
std::vector<OpenSoftwarePort> OpenSoftwarePorts(const Board& board);

// Where the listening software port is connected.
struct SoftwarePins {
  int receive = 0;  // the pin's number as the sketch names it
  std::optional<PinName> transmit;
  std::optional<PinName> receive_pin;
};
std::optional<SoftwarePins> ListeningPins(const Board& board, const SoftwarePorts& ports);

}  // namespace trial
