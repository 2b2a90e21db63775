// What an emulator and its observers need of a sketch's ELF file: the flash image, and the names
// of functions and variables.
//
// Reads 32-bit little-endian ELF for AVR (machine 83) as avr-gcc's linker writes it: load segments
// with a physical address below 0x800000 are flash, symbols from 0x800000 on are data memory,
// from 0x810000 on EEPROM. Source of the layout: the linker scripts of Debian's binutils-avr
// (ldscripts/avr5.x) and avr-libc's manual, "Memory Sections".
// The file may be anything: every offset is checked before it is followed.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace trial {

struct ElfSymbol {
  std::uint32_t address = 0;  // byte address; of a variable: in data memory (without 0x800000)
  std::uint32_t size = 0;     // bytes; 0: not told
  std::string mangled;
  std::string name;  // demangled, without arguments: "Stream::readStringUntil"
  bool by_pointer =
      false;  // a function whose address stands in the data: of a class's table, mostly
};

struct ElfImage {
  witness::Bytes flash;              // from address 0
  std::string mcu;                   // "atmega328p", if the file tells; else empty
  std::uint32_t clock_hz = 0;        // 0: the file does not tell
  std::uint32_t data_end = 0;        // first byte of data memory behind all variables; 0: not told
  std::vector<ElfSymbol> functions;  // by address
  std::vector<ElfSymbol> variables;  // by address

  // The function that holds the code at `address`, or null.
  const ElfSymbol* FunctionAt(std::uint32_t address) const;
  // By mangled or demangled name, or null.
  const ElfSymbol* Variable(std::string_view name) const;
};

// `path` is named in errors.
witness::Result<ElfImage> ReadElf(const std::string& path);
witness::Result<ElfImage> ParseElf(witness::ByteView file);

}  // namespace trial
