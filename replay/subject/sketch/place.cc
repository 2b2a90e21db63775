#include "replay/subject/sketch/place.h"

#include <algorithm>
#include <array>
#include <string_view>
#include <utility>

namespace trial {
namespace {

constexpr std::size_t kDeepest = 24;

std::uint32_t Word(const Board& board, std::uint32_t address) {
  return board.Flash(address) | static_cast<std::uint32_t>(board.Flash(address + 1)) << 8;
}

// The address that the call in front of `after` goes to; `found` tells whether there is a call.
// An indirect call goes anywhere: 0.
std::uint32_t CalledBefore(const Board& board, std::uint32_t after, bool& found) {
  found = true;
  if (after >= 4) {
    const std::uint32_t word = Word(board, after - 4);
    if ((word & 0xfe0e) == 0x940e) {  // CALL
      const std::uint32_t high = (word >> 3 & 0x3e) | (word & 1);
      return (high << 16 | Word(board, after - 2)) * 2;
    }
  }
  if (after >= 2) {
    const std::uint32_t word = Word(board, after - 2);
    if (word == 0x9509 || word == 0x9519) return 0;  // ICALL, EICALL
    if ((word & 0xf000) == 0xd000) {                 // RCALL
      int words = static_cast<int>(word & 0xfff);
      if (words >= 0x800) words -= 0x1000;
      return after + static_cast<std::uint32_t>(words * 2);
    }
  }
  found = false;
  return 0;
}

// Words on the stack may be left from calls that have long returned. A call to a fixed place has
// led to the function in question, or to one that jumped on into it (a class's own, mostly); one to
// a place in a register leads to functions of a class.
bool CanHaveCalled(std::uint32_t to, const ElfSymbol* function) {
  if (function == nullptr || function->address == to) return true;
  const bool of_class = function->name.find("::") != std::string::npos;
  const bool handler = function->name.substr(0, 2) == "__";
  return of_class || handler || (to != 0 && function->name != "setup" && function->name != "loop");
}

// A return address on the stack.
struct Return {
  const ElfSymbol* caller = nullptr;  // null: the word is none
  std::uint32_t to = 0;               // where the call goes; 0: anywhere
};

Return ReturnAt(const Board& board, std::uint32_t at, int size) {
  std::uint32_t word = 0;
  for (int i = 0; i < size; ++i)
    word = word << 8 | board.Data(static_cast<std::uint16_t>(at + static_cast<unsigned>(i)));
  bool call = false;
  Return out;
  out.to = CalledBefore(board, word * 2, call);
  if (!call) return out;
  const ElfSymbol* callee = out.to != 0 ? board.image().FunctionAt(out.to) : nullptr;
  if (out.to == 0 || (callee != nullptr && callee->address == out.to))
    out.caller = board.image().FunctionAt(word * 2 - 2);
  return out;
}

// Whether a call to `function` itself lies at `at` or deeper.
bool IsCalledBelow(const Board& board, std::uint32_t at, int size, const ElfSymbol& function) {
  for (; at + static_cast<std::uint32_t>(size) <= board.RamEnd() + 1u; ++at) {
    const Return back = ReturnAt(board, at, size);
    if (back.caller != nullptr && back.to == function.address) return true;
  }
  return false;
}

// Handlers and helpers; the clock; looking whether a byte has come.
bool SaysNothing(std::string_view name) {
  if (name.substr(0, 2) == "__" || name.substr(0, 11) == "_GLOBAL__su") return true;
  constexpr std::array<std::string_view, 15> kNames = {
      "micros",
      "millis",
      "yield",
      "serialEventRun",
      "Serial0_available",
      "Stream::timedRead",
      "Stream::timedPeek",
      "HardwareSerial::available",
      "HardwareSerial::read",
      "HardwareSerial::peek",
      "HardwareSerial::_tx_udr_empty_irq",
      "SoftwareSerial::available",
      "SoftwareSerial::read",
      "SoftwareSerial::peek",
      "SoftwareSerial::isListening",
  };
  for (const std::string_view n : kNames)
    if (n == name) return true;
  return false;
}

bool LooksForAByte(std::string_view name) {
  const std::size_t colons = name.rfind("::");
  if (colons == std::string_view::npos) return false;
  name.remove_prefix(colons + 2);
  return name == "available" || name.substr(0, 4) == "read" || name.substr(0, 4) == "peek" ||
         name.substr(0, 5) == "timed" || name.substr(0, 4) == "find" ||
         name.substr(0, 5) == "parse";
}

std::pair<const ElfSymbol*, const ElfSymbol*> Telling(const std::vector<const ElfSymbol*>& chain) {
  for (std::size_t i = 0; i < chain.size(); ++i) {
    if (SaysNothing(chain[i]->name)) continue;
    return {chain[i], i + 1 < chain.size() ? chain[i + 1] : nullptr};
  }
  return {nullptr, nullptr};
}

}  // namespace

std::vector<const ElfSymbol*> CallChain(const Board& board) {
  std::vector<const ElfSymbol*> chain;
  const ElfImage& image = board.image();
  const ElfSymbol* running = image.FunctionAt(board.ProgramCounter());
  if (running != nullptr) chain.push_back(running);
  const int size = board.ReturnAddressSize();
  for (std::uint32_t at = board.StackPointer() + 1u;
       at + static_cast<std::uint32_t>(size) <= board.RamEnd() + 1u && chain.size() < kDeepest;) {
    const Return back = ReturnAt(board, at, size);
    const ElfSymbol* const callee = chain.empty() ? nullptr : chain.back();
    // A call to another place, or to one in a register though the function's address is nowhere to
    // be had, hardly led to it if a call to just that function is there too.
    const bool led_there =
        callee == nullptr || back.to == callee->address || (back.to == 0 && callee->by_pointer);
    const bool left_over =
        back.caller != nullptr && !led_there && IsCalledBelow(board, at, size, *callee);
    if (back.caller != nullptr && !left_over && CanHaveCalled(back.to, callee)) {
      chain.push_back(back.caller);
      at += static_cast<std::uint32_t>(size);
    } else {
      ++at;
    }
  }
  return chain;
}

Place PlaceOf(const std::vector<const ElfSymbol*>& chain) {
  const auto [function, caller] = Telling(chain);
  Place place;
  if (function != nullptr) place.function = function->name;
  if (caller != nullptr) place.caller = caller->name;
  return place;
}

Places::Kind Places::KindOf(const ElfSymbol* symbol) {
  const auto [kind, fresh] = kinds_.try_emplace(symbol);
  if (fresh) kind->second = {SaysNothing(symbol->name), LooksForAByte(symbol->name)};
  return kind->second;
}

std::uint32_t Places::At(const Board& board) {
  const auto chain = CallChain(board);
  looking_ = false;
  std::pair<const ElfSymbol*, const ElfSymbol*> telling{nullptr, nullptr};
  for (std::size_t i = 0; i < chain.size(); ++i) {
    const Kind kind = KindOf(chain[i]);
    looking_ = looking_ || kind.looks_for_a_byte;
    if (telling.first == nullptr && !kind.says_nothing)
      telling = {chain[i], i + 1 < chain.size() ? chain[i + 1] : nullptr};
  }
  if (telling.first == nullptr) return 0;
  const auto [found, fresh] = ids_.try_emplace(telling, static_cast<std::uint32_t>(places_.size()));
  if (fresh) {
    Place place{telling.first->name, telling.second != nullptr ? telling.second->name : ""};
    places_.push_back(std::move(place));
  }
  return found->second;
}

}  // namespace trial
