// A microcontroller in the emulator, in virtual time: what the emulator leaves to be done so that a
// sketch meets what it would meet on a real board.
//
// Time is the cycle count; the clock's rate makes it an Instant (cycle 0 is power-on). Nothing here
// sleeps, prints or reads the host's clock, so that the same calls give the same cycles every time.
// Single thread. Callbacks run between two instructions or inside one; they may call anything here
// but RunUntil().
//
// The workarounds (letters as in tests/replay/subject/sketch):
//  A, B, F, G  hardware UART: see uart_line.h.   C  pulled-up inputs: DrivePin() below.
//  D  a reset inside the emulator forgets every timer: At() keeps its own and arms them again.
//  E  a jump to address 0 gives no event: the reset vector is led over a trampoline.
//  Also: memory behind the part's RAM and flash belongs to us (a wild sketch writes there before
//  the emulator calls it a crash); sleep takes no wall-clock time; entering an interrupt costs the
//  cycles it costs in hardware (the emulator counts none).
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/instant.h"
#include "capture/base/result.h"
#include "replay/subject/sketch/elf_image.h"

struct avr_t;

namespace trial {

// "PB2": port letter and bit.
struct PinName {
  char port = 'B';
  std::uint8_t bit = 0;
  bool operator==(const PinName&) const = default;
};
std::string FormatPin(PinName pin);  // "PB2"
// The number that the common boards print beside it, else as FormatPin().
std::string BoardPinName(PinName pin, const std::string& mcu);

// Reads a port name ("PB2") or, for an ATmega328P, the number printed on the common board for it:
// 0 to 7 are PD0 to PD7, 8 to 13 PB0 to PB5, A0 to A5 (or 14 to 19) PC0 to PC5 (source:
// variants/standard/pins_arduino.h of Debian's arduino-core-avr).
witness::Result<PinName> ParsePin(std::string_view text, std::string_view mcu);

enum class ResetCause : std::uint8_t {
  kPowerOn = 0,
  kWatchdog = 1,
  kJumpToZero =
      2,          // the program ran into address 0: a wild or null function pointer, or on purpose
  kBrownOut = 3,  // by BrownOut()
};

enum class BoardState : std::uint8_t {
  kRunning = 0,
  kStopped = 1,  // by Stop()
  kAsleep = 2,   // sleeps with interrupts off: nothing but a reset can wake it
  kCrashed = 3,  // ran out of flash, or read or wrote outside of its memory
};

struct BoardSettings {
  std::string mcu;  // as the emulator names it; empty: what the ELF says, else atmega328p
  std::uint32_t clock_hz = 0;  // 0: what the ELF says, else 16 MHz
};

class Board {
 public:
  // `image` must outlive the board.
  static witness::Result<std::unique_ptr<Board>> Create(const ElfImage& image,
                                                        const BoardSettings& settings);
  ~Board();
  Board(const Board&) = delete;
  Board& operator=(const Board&) = delete;

  const std::string& mcu() const { return mcu_; }
  std::uint32_t clock_hz() const { return clock_hz_; }
  const ElfImage& image() const { return image_; }

  std::uint64_t cycle() const;
  witness::Instant now() const { return ToInstant(cycle()); }
  witness::Instant ToInstant(std::uint64_t cycle) const;  // rounded down
  std::uint64_t ToCycle(witness::Instant at) const;       // rounded up: never before
  double CyclesPerBit(double baud) const { return static_cast<double>(clock_hz_) / baud; }

  // Runs until the cycle count has reached `cycle`, or the board ends, or Stop().
  BoardState RunUntil(std::uint64_t cycle);
  // From a callback: RunUntil() returns after the instruction.
  void Stop();
  BoardState state() const { return state_; }

  // Calls `call` when the cycle count reaches `cycle` (at once after the current instruction if it
  // has passed). Calls due at the same cycle run in the order of their making. Survive resets.
  void At(std::uint64_t cycle, std::function<void(std::uint64_t now)> call);

  // After any reset; cause and cycle. Many may listen; in the order of their making.
  void OnReset(std::function<void(ResetCause cause, std::uint64_t now)> call);

  // Drives a pin from outside. The emulator sets pulled-up inputs to 1 whenever the sketch writes
  // to their port; what is driven here stays as driven (workaround C).
  void DrivePin(PinName pin, bool level);
  // Level as the outside sees it: driven by the sketch, else from outside, else pulled up.
  bool PinLevel(PinName pin) const;
  bool IsOutput(PinName pin) const;
  // On every change of the pin's level, with its cycle. Changes made by resets are told too.
  void WatchPin(PinName pin, std::function<void(std::uint64_t now, bool level)> call);
  bool HasPort(char port) const;
  // The pin whose port has its PIN or PORT register at this data address and whose bit is `mask`.
  std::optional<PinName> PinAt(std::uint16_t port_register, std::uint8_t mask) const;

  // A dip of the supply: after the current instruction all but RAM starts anew, with the brown-out
  // flag set in MCUSR.
  void BrownOut();

  std::uint8_t Data(std::uint16_t address) const;           // registers, I/O and RAM
  void SetData(std::uint16_t address, std::uint8_t value);  // past all side effects
  std::uint16_t StackPointer() const;
  std::uint16_t RamEnd() const;
  std::uint32_t ProgramCounter() const;  // byte address
  bool InterruptsOn() const;
  std::uint8_t Flash(std::uint32_t address) const;
  int ReturnAddressSize() const;  // bytes that a call pushes

  // A write to GPIOR0 ends the run (for sketches made for testing).
  void StopAtGpior0();
  std::optional<std::uint8_t> gpior0_value() const { return gpior0_; }

  avr_t* emulator() { return avr_; }

 private:
  struct Inside;
  Board(const ElfImage& image, std::string mcu, std::uint32_t clock_hz);
  witness::Status Load();
  void PutTrampoline();
  void Arm();
  void ArrivedAtStart();
  void AfterReset();
  void Unload();

  const ElfImage& image_;
  const std::string mcu_;
  const std::uint32_t clock_hz_;
  avr_t* avr_ = nullptr;
  std::unique_ptr<Inside> inside_;
  BoardState state_ = BoardState::kRunning;
  bool stop_ = false;
  std::optional<std::uint8_t> gpior0_;
};

}  // namespace trial
