#include "replay/subject/sketch/board.h"

#include <algorithm>
#include <cctype>
#include <cstdlib>
#include <cstring>
#include <deque>
#include <map>

#include "capture/base/text.h"
#include "replay/subject/sketch/emulator.h"

namespace trial {
namespace {

using witness::Code;
using witness::Instant;
using witness::Result;
using witness::Status;

// The emulator looks for interrupts and timers after at most so many cycles. Its default of 1 runs
// at 0.6 of this speed and gives the same events (measured).
constexpr avr_cycle_count_t kRunCycles = 1000;

// A sketch can reach 64 KiB with data addresses, and 16 MiB of flash with ELPM where the part has
// RAMPZ; the emulator performs such accesses. So that much is ours; untouched pages cost nothing.
constexpr std::size_t kDataReach = (64 << 10) + 16;
constexpr std::size_t kFlashReach = (128 << 10) + 16;
constexpr std::size_t kFarFlashReach = (16 << 20) + 16;

// I/O addresses of the general purpose registers; the same on ATmega328P, 2560 and 32U4 (avr-libc,
// avr/iom328p.h, iomxx0_1.h, iom32u4.h). Data memory address is 0x20 more.
constexpr std::uint16_t kGpior0 = 0x1e + 0x20;
constexpr std::uint16_t kGpior2 = 0x2b + 0x20;
constexpr std::uint16_t kMcusr = 0x34 + 0x20;
constexpr std::uint8_t kBrownOutFlag = 1 << 2;  // BORF

void Silent(avr_t*, int, const char*, va_list) {}
void NoSleep(avr_t*, avr_cycle_count_t) {}

}  // namespace

// What the emulator's C callbacks reach.
struct Board::Inside {
  // First member, since the emulator hands back a pointer to it.
  avr_io_t hook{};
  Board* board = nullptr;

  std::multimap<std::uint64_t, std::function<void(std::uint64_t)>> due;
  bool in_due = false;

  std::vector<std::function<void(ResetCause, std::uint64_t)>> on_reset;
  bool reset_pending = false;  // a reset whose start has not passed the vector yet
  ResetCause cause = ResetCause::kPowerOn;
  std::uint32_t trampoline = 0;  // byte address; 0: none could be put

  struct Port {
    avr_ioport_t* port = nullptr;
    std::uint8_t mask = 0, value = 0;  // driven from outside
  };
  std::map<char, Port> ports;

  struct PinWatch {
    Board* board = nullptr;
    PinName pin;
    bool level = false;
    std::function<void(std::uint64_t, bool)> call;
  };
  std::deque<PinWatch> pin_watches;  // addresses stay
  bool brown_out = false;

  static Inside* Of(avr_io_t* io) { return reinterpret_cast<Inside*>(io); }

  static void OnEmulatorReset(avr_io_t* io) { Of(io)->board->AfterReset(); }

  static avr_cycle_count_t OnDue(avr_t* avr, avr_cycle_count_t, void* param) {
    auto* inside = static_cast<Inside*>(param);
    inside->in_due = true;
    while (!inside->due.empty() && inside->due.begin()->first <= avr->cycle) {
      auto first = inside->due.begin();
      std::function<void(std::uint64_t)> call = std::move(first->second);
      inside->due.erase(first);
      call(avr->cycle);
    }
    inside->in_due = false;
    return inside->due.empty() ? 0 : inside->due.begin()->first;
  }

  static void OnPin(avr_irq_t*, std::uint32_t value, void* param) {
    auto* watch = static_cast<PinWatch*>(param);
    const bool level = (value & 1) != 0;
    if (watch->level == level) return;
    watch->level = level;
    watch->call(watch->board->cycle(), level);
  }

  static void OnGpior2(avr_t* avr, avr_io_addr_t address, std::uint8_t value, void* param) {
    auto* board = static_cast<Board*>(param);
    if (avr->pc == board->inside_->trampoline && board->inside_->trampoline != 0) {
      board->ArrivedAtStart();
    } else {
      avr->data[address] = value;
    }
  }

  static void OnGpior0(avr_t* avr, avr_io_addr_t address, std::uint8_t value, void* param) {
    auto* board = static_cast<Board*>(param);
    avr->data[address] = value;
    board->gpior0_ = value;
    board->Stop();
  }

  static void OnInterruptEntry(avr_irq_t*, std::uint32_t value, void* param) {
    auto* avr = static_cast<avr_t*>(param);
    // "The interrupt execution response for all the enabled AVR interrupts is four clock cycles
    // minimum", five with a 22-bit program counter (Microchip ATmega328P and ATmega2560 data
    // sheets, "Interrupt Response Time").
    if (value != 0) avr->cycle += avr->address_size == 3 ? 5 : 4;
  }
};

std::string FormatPin(PinName pin) {
  return std::string("P") + pin.port + static_cast<char>('0' + pin.bit);
}

std::string BoardPinName(PinName pin, const std::string& mcu) {
  for (int number = 0; number < 20; ++number)
    if (const auto named = ParsePin(std::to_string(number), mcu); named.ok() && *named == pin)
      return std::to_string(number);
  return FormatPin(pin);
}

Result<PinName> ParsePin(std::string_view text, std::string_view mcu) {
  const Status wrong(Code::kInvalidArgument,
                     "\"" + witness::SafeName(text) +
                         "\" names no pin: give a board number (0 to 13, A0 to A5) or a port name "
                         "(PB2)");
  if (text.size() == 3 && (text[0] == 'P' || text[0] == 'p')) {
    const char port = static_cast<char>(std::toupper(static_cast<unsigned char>(text[1])));
    if (port < 'A' || port > 'L' || text[2] < '0' || text[2] > '7') return wrong;
    return PinName{port, static_cast<std::uint8_t>(text[2] - '0')};
  }
  std::string_view digits = text;
  int number = 0;
  if (!digits.empty() && (digits[0] == 'A' || digits[0] == 'a')) {
    digits.remove_prefix(1);
    number = 14;
  }
  if (digits.empty() || digits.size() > 2) return wrong;
  int value = 0;
  for (const char c : digits) {
    if (c < '0' || c > '9') return wrong;
    value = value * 10 + (c - '0');
  }
  number += value;
  if (number > 19) return wrong;
  if (mcu.substr(0, 9) != "atmega328")
    return Status(Code::kInvalidArgument,
                  "board pin numbers are known for the ATmega328P only; "
                  "name the pin by its port, as PB2");
  if (number < 8) return PinName{'D', static_cast<std::uint8_t>(number)};
  if (number < 14) return PinName{'B', static_cast<std::uint8_t>(number - 8)};
  return PinName{'C', static_cast<std::uint8_t>(number - 14)};
}

Board::Board(const ElfImage& image, std::string mcu, std::uint32_t clock_hz)
    : image_(image),
      mcu_(std::move(mcu)),
      clock_hz_(clock_hz),
      inside_(std::make_unique<Inside>()) {
  inside_->board = this;
}

Board::~Board() { Unload(); }

Result<std::unique_ptr<Board>> Board::Create(const ElfImage& image, const BoardSettings& settings) {
  std::string mcu = !settings.mcu.empty() ? settings.mcu
                    : !image.mcu.empty()  ? image.mcu
                                          : std::string("atmega328p");
  for (char& c : mcu) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  const std::uint32_t clock = settings.clock_hz != 0 ? settings.clock_hz
                              : image.clock_hz != 0  ? image.clock_hz
                                                     : 16'000'000;
  if (clock < 32'000 || clock > 64'000'000)
    return Status(Code::kInvalidArgument,
                  "a clock of " + std::to_string(clock) + " Hz is not possible; give --clock");
  std::unique_ptr<Board> board(new Board(image, mcu, clock));
  Status loaded = board->Load();
  if (!loaded.ok()) return loaded;
  return board;
}

Status Board::Load() {
  avr_global_logger_set(&Silent);
  avr_ = avr_make_mcu_by_name(mcu_.c_str());
  if (avr_ == nullptr)
    return Status(Code::kUnsupported, "the emulator knows no \"" + witness::SafeName(mcu_) +
                                          "\"; give --mcu, such as atmega328p");
  avr_init(avr_);
  if (image_.flash.size() > std::size_t{avr_->flashend} + 1) {
    const std::size_t room = std::size_t{avr_->flashend} + 1;
    return Status(Code::kInvalidArgument, "the sketch takes " +
                                              std::to_string(image_.flash.size()) + " bytes, " +
                                              mcu_ + " has " + std::to_string(room));
  }
  const std::size_t reach = avr_->rampz != 0 ? kFarFlashReach : kFlashReach;
  const std::size_t had = std::size_t{avr_->flashend} + 4;
  void* flash = std::calloc(1, reach);
  void* data = std::calloc(1, kDataReach);
  if (flash == nullptr || data == nullptr) {
    std::free(flash);
    std::free(data);
    return Status(Code::kIo, "no memory for the emulated board");
  }
  std::memcpy(flash, avr_->flash, had);
  const std::size_t end = std::size_t{avr_->flashend} + 1;
  if (end < kFlashReach) std::memset(static_cast<char*>(flash) + end, 0xff, kFlashReach - end);
  std::memcpy(data, avr_->data, std::size_t{avr_->ramend} + 1);
  std::free(avr_->flash);
  std::free(avr_->data);
  avr_->flash = static_cast<std::uint8_t*>(flash);
  avr_->data = static_cast<std::uint8_t*>(data);

  std::memcpy(avr_->flash, image_.flash.data(), image_.flash.size());
  avr_->frequency = clock_hz_;
  avr_->sleep = &NoSleep;
  avr_->gdb_port = 0;
  avr_->log = 0;
  avr_->run_cycle_limit = kRunCycles;
  for (avr_io_t* io = avr_->io_port; io != nullptr; io = io->next)
    if (std::strcmp(io->kind, "port") == 0) {
      auto* port = reinterpret_cast<avr_ioport_t*>(io);
      inside_->ports[port->name].port = port;
    } else if (std::strcmp(io->kind, "uart") == 0) {
      // Else it prints what the sketch says and sleeps when the sketch polls.
      reinterpret_cast<avr_uart_t*>(io)->flags = 0;
    }
  for (int v = 1; v < 64; ++v) {
    avr_irq_t* irq = avr_get_interrupt_irq(avr_, static_cast<std::uint8_t>(v));
    if (irq != nullptr)
      avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, &Inside::OnInterruptEntry, avr_);
  }
  inside_->hook.kind = "bytewitness";
  inside_->hook.reset = &Inside::OnEmulatorReset;
  avr_register_io(avr_, &inside_->hook);
  PutTrampoline();
  return witness::OkStatus();
}

// Leads the reset vector over four words that write GPIOR2 and go on where the vector led. The
// write is caught and changes nothing.
void Board::PutTrampoline() {
  std::uint8_t* flash = avr_->flash;
  const unsigned vector = flash[0] | flash[1] << 8;
  std::uint32_t start = 0;
  if ((vector & 0xfe0e) == 0x940c) {  // JMP
    const std::uint32_t high = ((vector >> 3) & 0x3e) | (vector & 1);
    start = (high << 16 | static_cast<std::uint32_t>(flash[2] | flash[3] << 8)) * 2;
  } else if ((vector & 0xf000) == 0xc000) {  // RJMP
    int words = static_cast<int>(vector & 0xfff);
    if (words >= 0x800) words -= 0x1000;
    start = static_cast<std::uint32_t>(2 + 2 * words) & avr_->flashend;
  } else {
    return;
  }
  // Behind the program, below the last few bytes of flash. A part with flash below 8 KiB reaches it
  // with RJMP only; there is no need to serve those.
  const std::uint32_t place = (avr_->flashend + 1 - 16) & ~1u;
  if (avr_->flashend < 0x1fff || place < image_.flash.size() + 4) return;
  auto put = [flash](std::uint32_t at, std::uint32_t word) {
    flash[at] = static_cast<std::uint8_t>(word);
    flash[at + 1] = static_cast<std::uint8_t>(word >> 8);
  };
  auto put_jump = [&put](std::uint32_t at, std::uint32_t to) {
    const std::uint32_t word = to / 2;
    put(at, 0x940c | (word >> 17 & 0x1f) << 4 | (word >> 16 & 1));
    put(at + 2, word & 0xffff);
  };
  constexpr std::uint32_t kIo = kGpior2 - 0x20;
  put(place, 0xb800 | (kIo & 0x30) << 5 | (kIo & 0xf));  // OUT GPIOR2, r0
  put_jump(place + 2, start);
  put_jump(0, place);
  inside_->trampoline = place;
  inside_->reset_pending = true;
  inside_->cause = ResetCause::kPowerOn;
  avr_register_io_write(avr_, kGpior2, &Inside::OnGpior2, this);
}

void Board::ArrivedAtStart() {
  const ResetCause cause = inside_->reset_pending ? inside_->cause : ResetCause::kJumpToZero;
  const bool told = inside_->reset_pending;  // a true reset was told by AfterReset()
  inside_->reset_pending = false;
  if (told) return;
  for (auto& call : inside_->on_reset) call(cause, cycle());
}

void Board::AfterReset() {
  // The emulator has forgotten all timers, the run limit and what pins are driven.
  avr_->run_cycle_limit = kRunCycles;
  // It also forgets to tell the pins' new levels, and would then keep back the next change as no
  // change.
  for (auto& [name, port] : inside_->ports) {
    std::uint8_t& pin = avr_->data[port.port->r_pin];
    pin = static_cast<std::uint8_t>((pin & ~port.mask) | port.value);
    for (int bit = 0; bit < 8; ++bit) port.port->io.irq[bit].value = pin >> bit & 1;
  }
  if (!inside_->in_due) Arm();
  inside_->reset_pending = inside_->trampoline != 0;
  inside_->cause = inside_->brown_out ? ResetCause::kBrownOut : ResetCause::kWatchdog;
  inside_->brown_out = false;
  for (auto& call : inside_->on_reset) call(inside_->cause, cycle());
  for (auto& watch : inside_->pin_watches) {
    const bool level = PinLevel(watch.pin);
    if (watch.level == level) continue;
    watch.level = level;
    watch.call(cycle(), level);
  }
}

void Board::BrownOut() {
  inside_->brown_out = true;
  avr_->run_cycle_count = 1;
}

void Board::Unload() {
  if (avr_ == nullptr) return;
  // What the emulator's own ending leaves behind (about 7.6 kB a board): the interrupt vectors'
  // and registers' irqs, the pool that lists all irqs, and the board itself. Vectors first, since
  // they live inside the I/O modules.
  avr_terminate(avr_);
  for (int i = 0; i < MAX_IOs; ++i) {
    avr_irq_t* irq = avr_->io[i].irq;
    if (irq == nullptr) continue;
    for (int j = i; j < MAX_IOs; ++j)
      if (avr_->io[j].irq == irq) avr_->io[j].irq = nullptr;
    avr_free_irq(irq, AVR_IOMEM_IRQ_ALL + 1);
  }
  for (int i = 0; i < avr_->interrupts.vector_count; ++i)
    avr_free_irq(avr_->interrupts.vector[i]->irq, AVR_INT_IRQ_COUNT);
  avr_free_irq(avr_->interrupts.irq, AVR_INT_IRQ_COUNT);
  std::free(avr_->irq_pool.irq);
  std::free(avr_);
  avr_ = nullptr;
}

std::uint64_t Board::cycle() const { return avr_->cycle; }

Instant Board::ToInstant(std::uint64_t cycle) const {
  // Whole seconds apart: the product of the rest fits into 64 bits.
  const std::uint64_t seconds = cycle / clock_hz_;
  const std::uint64_t rest = (cycle % clock_hz_) * 1'000'000'000 / clock_hz_;
  return Instant::FromNanoseconds(static_cast<std::int64_t>(seconds * 1'000'000'000 + rest));
}

std::uint64_t Board::ToCycle(Instant at) const {
  if (at.ns() <= 0) return 0;
  const auto ns = static_cast<std::uint64_t>(at.ns());
  const std::uint64_t rest = (ns % 1'000'000'000 * clock_hz_ + 999'999'999) / 1'000'000'000;
  return ns / 1'000'000'000 * clock_hz_ + rest;
}

BoardState Board::RunUntil(std::uint64_t cycle) {
  stop_ = false;
  if (state_ == BoardState::kAsleep || state_ == BoardState::kCrashed) return state_;
  state_ = BoardState::kRunning;
  // A call of our own at the very cycle keeps a long run from passing it by far.
  At(cycle, [](std::uint64_t) {});
  while (avr_->cycle < cycle && !stop_) {
    avr_run(avr_);
    if (avr_->state == cpu_Done || avr_->state == cpu_Crashed) break;
    if (inside_->brown_out) {  // here, since a reset in a timer's call breaks the timers' list
      avr_reset(avr_);
      avr_->data[kMcusr] = kBrownOutFlag;
    }
  }
  if (avr_->state == cpu_Done) state_ = BoardState::kAsleep;
  if (avr_->state == cpu_Crashed) state_ = BoardState::kCrashed;
  if (state_ == BoardState::kRunning && stop_) state_ = BoardState::kStopped;
  return state_;
}

void Board::Stop() {
  stop_ = true;
  avr_->run_cycle_count = 1;
}

void Board::At(std::uint64_t cycle, std::function<void(std::uint64_t)> call) {
  const bool earliest = inside_->due.empty() || cycle < inside_->due.begin()->first;
  inside_->due.emplace(cycle, std::move(call));
  if (earliest && !inside_->in_due) Arm();
}

void Board::Arm() {
  if (inside_->due.empty()) return;
  const std::uint64_t first = inside_->due.begin()->first;
  avr_cycle_timer_register(avr_, first > avr_->cycle ? first - avr_->cycle : 0, &Inside::OnDue,
                           inside_.get());
}

void Board::OnReset(std::function<void(ResetCause, std::uint64_t)> call) {
  inside_->on_reset.push_back(std::move(call));
}

bool Board::HasPort(char port) const { return inside_->ports.count(port) != 0; }

std::optional<PinName> Board::PinAt(std::uint16_t port_register, std::uint8_t mask) const {
  for (const auto& [name, port] : inside_->ports)
    if (port.port->r_pin == port_register || port.port->r_port == port_register)
      for (std::uint8_t bit = 0; bit < 8; ++bit)
        if (mask == 1u << bit) return PinName{name, bit};
  return std::nullopt;
}

void Board::DrivePin(PinName pin, bool level) {
  auto found = inside_->ports.find(pin.port);
  if (found == inside_->ports.end()) return;
  Inside::Port& port = found->second;
  const std::uint8_t bit = static_cast<std::uint8_t>(1 << pin.bit);
  port.mask = static_cast<std::uint8_t>(port.mask | bit);
  port.value = static_cast<std::uint8_t>(level ? port.value | bit : port.value & ~bit);
  avr_ioport_external_t external{};
  external.name = static_cast<unsigned char>(pin.port) & 0x7f;
  external.mask = port.mask;
  external.value = port.value;
  avr_ioctl(avr_, static_cast<std::uint32_t>(AVR_IOCTL_IOPORT_SET_EXTERNAL(pin.port)), &external);
  avr_raise_irq(port.port->io.irq + pin.bit, level ? 1 : 0);
}

bool Board::IsOutput(PinName pin) const {
  auto found = inside_->ports.find(pin.port);
  return found != inside_->ports.end() &&
         (avr_->data[found->second.port->r_ddr] & (1 << pin.bit)) != 0;
}

bool Board::PinLevel(PinName pin) const {
  auto found = inside_->ports.find(pin.port);
  if (found == inside_->ports.end()) return false;
  const avr_ioport_t* port = found->second.port;
  const std::uint8_t bit = static_cast<std::uint8_t>(1 << pin.bit);
  const bool output = (avr_->data[port->r_ddr] & bit) != 0;
  if (output) return (avr_->data[port->r_port] & bit) != 0;
  if ((found->second.mask & bit) != 0) return (found->second.value & bit) != 0;
  return (avr_->data[port->r_port] & bit) != 0;
}

void Board::WatchPin(PinName pin, std::function<void(std::uint64_t, bool)> call) {
  auto found = inside_->ports.find(pin.port);
  if (found == inside_->ports.end()) return;
  Inside::PinWatch& watch = inside_->pin_watches.emplace_back();
  watch.board = this;
  watch.call = std::move(call);
  watch.pin = pin;
  watch.level = PinLevel(pin);
  avr_irq_register_notify(found->second.port->io.irq + pin.bit, &Inside::OnPin, &watch);
}

std::uint8_t Board::Data(std::uint16_t address) const { return avr_->data[address]; }
void Board::SetData(std::uint16_t address, std::uint8_t value) { avr_->data[address] = value; }
std::uint16_t Board::StackPointer() const {
  return static_cast<std::uint16_t>(avr_->data[R_SPL] | avr_->data[R_SPH] << 8);
}
std::uint16_t Board::RamEnd() const { return avr_->ramend; }
std::uint32_t Board::ProgramCounter() const { return avr_->pc; }
bool Board::InterruptsOn() const { return avr_->sreg[S_I] != 0; }
std::uint8_t Board::Flash(std::uint32_t address) const {
  return address <= avr_->flashend ? avr_->flash[address] : 0xff;
}
int Board::ReturnAddressSize() const { return avr_->address_size; }

void Board::StopAtGpior0() { avr_register_io_write(avr_, kGpior0, &Inside::OnGpior0, this); }

}  // namespace trial
