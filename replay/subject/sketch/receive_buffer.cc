#include "replay/subject/sketch/receive_buffer.h"

#include <algorithm>
#include <cmath>

namespace trial {
namespace {

// Offsets that follow from the core's class definitions with avr-gcc's layout (no padding,
// two-byte pointers): Print has a vtable pointer and write_error (4 bytes), Stream adds _timeout
// and _startMillis (8).
constexpr std::uint16_t kStreamSize = 12;
constexpr std::uint16_t kUartRegisters = 12;                       // six pointers
constexpr std::uint16_t kHead = kStreamSize + kUartRegisters + 1;  // behind _written
constexpr std::uint16_t kTail = kHead + 1;
constexpr std::uint16_t kRing = kHead + 4;
constexpr std::uint16_t kSoftBitMask = kStreamSize + 1;  // behind _receivePin
constexpr std::uint16_t kSoftPortRegister = kStreamSize + 2;
constexpr std::uint16_t kSoftTransmitMask = kStreamSize + 4;
constexpr std::uint16_t kSoftTransmitRegister = kStreamSize + 5;
constexpr std::uint16_t kSoftTransmitDelay = kStreamSize + 16;  // behind three receive delays
constexpr std::uint16_t kSoftSize = kStreamSize + 19;           // flags behind that

std::uint16_t Word(const Board& board, std::uint32_t at) {
  return static_cast<std::uint16_t>(board.Data(static_cast<std::uint16_t>(at)) |
                                    board.Data(static_cast<std::uint16_t>(at + 1)) << 8);
}

// The rate that SoftwareSerial::begin() was given, from the delay that it made of it: a quarter of
// a bit's cycles less 15 / 4 (SoftwareSerial.cpp); the usual one that is nearest.
std::uint32_t SoftwareRate(const Board& board, std::uint16_t delay) {
  const double baud = board.clock_hz() / (4.0 * (delay + 3));
  std::uint32_t best = 0;
  for (const std::uint32_t usual : {300u, 600u, 1200u, 2400u, 4800u, 9600u, 14400u, 19200u, 28800u,
                                    31250u, 38400u, 57600u, 115200u})
    if (best == 0 || std::abs(usual - baud) < std::abs(best - baud)) best = usual;
  return std::abs(best - baud) < baud * 0.06 ? best : static_cast<std::uint32_t>(baud);
}

bool PowerOfTwo(std::uint32_t n) { return n >= 16 && n <= 256 && (n & (n - 1)) == 0; }

}  // namespace

std::uint16_t ReceiveBuffer::Waiting(const Board& board) const {
  const int n = board.Data(put) - board.Data(take);
  return static_cast<std::uint16_t>((n + size) % size);
}

std::optional<ReceiveBuffer> FindUartBuffer(const ElfImage& image, int number) {
  const std::string name = number == 0 ? "Serial" : "Serial" + std::to_string(number);
  const ElfSymbol* object = image.Variable(name);
  if (object == nullptr || object->size <= kRing) return std::nullopt;
  // Receive and transmit ring are of the same size unless the build says otherwise, in which case
  // nothing tells how the object is parted.
  const std::uint32_t rings = object->size - kRing;
  if (rings % 2 != 0 || !PowerOfTwo(rings / 2)) return std::nullopt;
  ReceiveBuffer buffer;
  buffer.size = static_cast<std::uint16_t>(rings / 2);
  buffer.put = static_cast<std::uint16_t>(object->address + kHead);
  buffer.take = static_cast<std::uint16_t>(object->address + kTail);
  buffer.data = static_cast<std::uint16_t>(object->address + kRing);
  return buffer;
}

std::optional<SoftwarePorts> FindSoftwarePorts(const ElfImage& image) {
  const ElfSymbol* ring = image.Variable("SoftwareSerial::_receive_buffer");
  const ElfSymbol* put = image.Variable("SoftwareSerial::_receive_buffer_tail");
  const ElfSymbol* take = image.Variable("SoftwareSerial::_receive_buffer_head");
  const ElfSymbol* active = image.Variable("SoftwareSerial::active_object");
  if (ring == nullptr || put == nullptr || take == nullptr || active == nullptr)
    return std::nullopt;
  if (ring->size < 8 || ring->size > 256) return std::nullopt;
  SoftwarePorts ports;
  // In this library "tail" is where bytes are put and "head" where they are taken.
  ports.buffer.data = static_cast<std::uint16_t>(ring->address);
  ports.buffer.size = static_cast<std::uint16_t>(ring->size);
  ports.buffer.put = static_cast<std::uint16_t>(put->address);
  ports.buffer.take = static_cast<std::uint16_t>(take->address);
  ports.active_object = static_cast<std::uint16_t>(active->address);
  return ports;
}

std::vector<OpenSoftwarePort> OpenSoftwarePorts(const Board& board) {
  std::vector<OpenSoftwarePort> open;
  const ElfSymbol* calls = board.image().Variable("vtable for SoftwareSerial");
  if (calls == nullptr) return open;
  for (const ElfSymbol& object : board.image().variables) {
    // The pointer goes to the first call, behind two words of the compiler's.
    if (object.size != kSoftSize || Word(board, object.address) != calls->address + 4) continue;
    const std::uint16_t delay = Word(board, object.address + kSoftTransmitDelay);
    const auto receive =
        board.PinAt(Word(board, object.address + kSoftPortRegister),
                    board.Data(static_cast<std::uint16_t>(object.address + kSoftBitMask)));
    const auto transmit =
        board.PinAt(Word(board, object.address + kSoftTransmitRegister),
                    board.Data(static_cast<std::uint16_t>(object.address + kSoftTransmitMask)));
    if (delay == 0 || !receive || !transmit) continue;
    open.push_back({*receive, *transmit, SoftwareRate(board, delay)});
  }
  return open;
}

std::optional<SoftwarePins> ListeningPins(const Board& board, const SoftwarePorts& ports) {
  const std::uint16_t object = Word(board, ports.active_object);
  if (object == 0) return std::nullopt;
  auto at = [object](std::uint16_t offset) { return static_cast<std::uint16_t>(object + offset); };
  SoftwarePins pins;
  pins.receive = board.Data(at(kStreamSize));
  pins.receive_pin = board.PinAt(Word(board, at(kSoftPortRegister)), board.Data(at(kSoftBitMask)));
  pins.transmit =
      board.PinAt(Word(board, at(kSoftTransmitRegister)), board.Data(at(kSoftTransmitMask)));
  return pins;
}

bool ListensAt(const Board& board, const SoftwarePorts& ports, std::uint16_t pin_register,
               std::uint8_t bit) {
  const std::uint16_t object = Word(board, ports.active_object);
  if (object == 0) return false;
  return board.Data(static_cast<std::uint16_t>(object + kSoftBitMask)) == (1u << bit) &&
         Word(board, static_cast<std::uint16_t>(object + kSoftPortRegister)) == pin_register;
}

}  // namespace trial
