// How an emulated sketch is put on trial: which ELF, which part, where the module is connected.
// The command line, a trial plan and the worker all give it in the same words.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace trial {

// Where a line meets the board.
struct SketchPlace {
  bool pins = false;
  int uart = 0;            // if not `pins`
  std::string receive;     // pin on which the board listens, as the person named it
  std::string transmit;    // pin on which it speaks
  std::uint32_t baud = 0;  // of the far side; 0: as the part's line says, else as the sketch sets
  bool operator==(const SketchPlace&) const = default;
};

// Reads "uart0", "uart1:baud=115200" or "pins:rx=10,tx=11,baud=9600" (rx and tx as the board sees
// them, in the order of SoftwareSerial's arguments; without a rate: as the part's line says, else
// 9600 at pins and the sketch's own at a UART).
witness::Result<SketchPlace> ParseSketchPlace(std::string_view text);
std::string FormatSketchPlace(const SketchPlace& place);

struct SketchSettings {
  std::string elf;
  std::string mcu;                  // empty: as the ELF says, else atmega328p
  std::uint32_t clock_hz = 0;       // 0: as the ELF says, else 16 MHz
  SketchPlace module;               // where the module is
  std::optional<SketchPlace> talk;  // where the sketch talks to the person; none: the first UART
                                    // that the module is not on, or, if the sketch has not
                                    // opened that, its only other software port
  bool talk_found = false;          // `talk` was found so in the worker, not named by the person
  std::vector<std::string> watch_pins;
  std::vector<witness::Duration> brown_outs;  // dips of the supply, since power-on
  bool operator==(const SketchSettings&) const = default;
};

// Keys are the long options without dashes: module-on, talk-on, mcu, clock ("16MHz", "8000000"),
// watch-pin ("13,PB0"), brown-out ("1.5s,3s"). kInvalidArgument names the key that is wrong.
witness::Result<SketchSettings> MakeSketchSettings(
    const std::string& elf, const std::map<std::string, std::string>& settings);
std::map<std::string, std::string> SketchSettingsMap(const SketchSettings& settings);

}  // namespace trial
