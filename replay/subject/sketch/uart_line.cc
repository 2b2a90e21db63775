#include "replay/subject/sketch/uart_line.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "replay/subject/sketch/emulator.h"

namespace trial {
namespace {

constexpr int kFifoSize = uart_fifo_fifo_size;
constexpr int kReceiverHolds = 3;  // two in the buffer, one in the shift register

int Waiting(const avr_uart_t& uart) {
  return (uart.input.write + kFifoSize - uart.input.read) % kFifoSize;
}

}  // namespace

struct UartLine::Inside {
  UartLine* line = nullptr;
  avr_t* avr = nullptr;
  avr_uart_t* uart = nullptr;
  bool rate_set = false;
  unsigned read_index = 0;  // of the emulator's input, as last seen
  // Bytes that the receiver holds, oldest first: index in sent_ (or none, for a byte that noise
  // made), and what it came to.
  struct Held {
    std::optional<std::size_t> index;
    Fate fate = Fate::kTaken;
  };
  std::deque<Held> held;

  bool transmitted = false;       // the transmitter was on at the last look at its control register
  std::uint64_t sending_bit = 0;  // cycles of a bit of the byte that goes out
  std::uint64_t cut_at = 0;       // cycle at which the rate last changed in the middle of a byte
  std::uint64_t cut_bit = 0;      // cycles of a bit since then

  std::uint8_t Register(const avr_regbit_t& bit) const { return avr->data[bit.reg]; }
  bool Bit(const avr_regbit_t& bit) const {
    return (avr->data[bit.reg] >> bit.bit & bit.mask) != 0;
  }

  std::uint64_t CyclesPerBit() const {
    const std::uint64_t ubrr =
        avr->data[uart->ubrrl.reg] |
        static_cast<std::uint64_t>(avr->data[uart->ubrrh.reg] & uart->ubrrh.mask) << 8;
    return (ubrr + 1) * (Bit(uart->u2x) ? 8 : 16);
  }
  // Start, data, parity and stop bits of a frame as UCSRC and UCSRB give it.
  int FrameBits() const {
    const std::uint8_t c = avr->data[uart->r_ucsrc];
    const int size = (c >> 1 & 3) + (Bit(uart->ucsz2) ? 4 : 0);
    const int data = size < 4 ? 5 + size : size == 7 ? 9 : 8;
    return 1 + data + ((c & 0x20) != 0 ? 1 : 0) + ((c & 0x08) != 0 ? 2 : 1);
  }

  static void OnRate(avr_irq_t*, std::uint32_t, void* param) {
    auto* inside = static_cast<Inside*>(param);
    inside->rate_set = true;
    inside->NoteCut();
    inside->line->SetPace();
  }
  static void OnFormat(avr_irq_t*, std::uint32_t, void* param) {
    auto* inside = static_cast<Inside*>(param);
    inside->NoteCut();
    inside->line->SetPace();
  }
  // A new rate takes effect at once, in the middle of a frame too (Microchip ATmega328P, "UBRRnL
  // and UBRRnH"). Switching the transmitter off waits for what is being sent (the same, "Disabling
  // the Transmitter").
  void NoteCut() {
    const std::uint64_t bit = CyclesPerBit();
    if (bit == sending_bit || line->free_from_ <= avr->cycle || sending_bit == 0) return;
    line->cuts_.push_back(avr->cycle);
    cut_at = avr->cycle;
    cut_bit = bit;
    sending_bit = bit;
  }
  static void OnControl(avr_irq_t*, std::uint32_t, void* param) {
    auto* inside = static_cast<Inside*>(param);
    avr_uart_t& uart = *inside->uart;
    if (inside->Bit(uart.txen) && uart.tx_cnt == 0)
      inside->avr->data[uart.udrc.raised.reg] |=
          static_cast<std::uint8_t>(1u << uart.udrc.raised.bit);
    const bool transmits = inside->Bit(uart.txen);
    if (inside->transmitted && !transmits && inside->line->free_from_ > inside->avr->cycle)
      inside->line->stops_.push_back(inside->avr->cycle);
    inside->transmitted = transmits;
    if (!inside->Bit(uart.rxen)) inside->Forget();
    inside->line->SetPace();
  }
  static void OnData(avr_irq_t*, std::uint32_t, void* param) {
    auto* inside = static_cast<Inside*>(param);
    if (inside->uart->input.read == inside->read_index) return;  // a write
    inside->read_index = inside->uart->input.read;
    inside->line->Read(inside->avr->cycle);
  }
  static void OnOutput(avr_irq_t*, std::uint32_t value, void* param) {
    auto* inside = static_cast<Inside*>(param);
    UartLine* line = inside->line;
    if (!inside->Bit(inside->uart->txen)) return;  // nothing is sent, whatever the emulator says
    const std::uint64_t bit = inside->CyclesPerBit();
    inside->sending_bit = bit;
    ByteOut out;
    out.start = std::max<std::uint64_t>(inside->avr->cycle, line->free_from_);
    const int bits = inside->FrameBits();
    line->free_from_ = out.start + bit * static_cast<std::uint64_t>(bits);
    out.end = line->free_from_ - bit / 2;
    out.value = static_cast<std::uint8_t>(value);
    // A far side that listens at another rate samples other bits. Told from the middle of its own
    // bits, as StopBit() does for the other way.
    const double ratio =
        line->baud_ > 0 ? static_cast<double>(bit) / line->board_.CyclesPerBit(line->baud_) : 1;
    if (std::abs(ratio - 1) > 0.03 && bits == 10) {
      unsigned seen = 0;
      auto level = [&out, ratio](double far_bits) {
        const int at = static_cast<int>(far_bits / ratio);
        if (at == 0) return false;
        return at > 8 || ((out.value >> (at - 1)) & 1) != 0;
      };
      for (int i = 0; i < 8; ++i)
        if (level(1.5 + i)) seen |= 1u << i;
      out.framing_error = !level(9.5);
      out.value = static_cast<std::uint8_t>(seen);
    }
    line->board_.At(out.end, [line, out, bit, inside](std::uint64_t) {
      if (!line->on_byte_) return;
      line->on_byte_(inside->cut_at > out.start && inside->cut_at < out.end
                         ? inside->AsCut(out, static_cast<double>(bit))
                         : out);
    });
  }

  // What a far side that stays at the rate of before makes of a byte whose rate changed at cut_at.
  ByteOut AsCut(ByteOut out, double bit) const {
    const auto start = static_cast<double>(out.start);
    const auto cut = static_cast<double>(cut_at);
    auto level = [&](double bits) {
      const double at = start + bits * bit;
      const double place =
          at <= cut ? bits : (cut - start) / bit + (at - cut) / static_cast<double>(cut_bit);
      if (place < 1) return false;
      return place >= 9 || ((out.value >> (static_cast<int>(place) - 1)) & 1) != 0;
    };
    ByteOut seen = out;
    seen.value = 0;
    for (int i = 0; i < 8; ++i)
      if (level(1.5 + i)) seen.value = static_cast<std::uint8_t>(seen.value | 1u << i);
    seen.framing_error = !level(9.5);
    return seen;
  }

  void Forget() {
    for (const Held& h : held)
      if (h.index) line->Settle(*h.index, Fate::kReceiverOff, avr->cycle);
    held.clear();
    read_index = uart->input.read;
  }
};

UartLine::UartLine(Board& board, int number, double baud)
    : board_(board), number_(number), baud_(baud), inside_(std::make_unique<Inside>()) {
  inside_->line = this;
}

UartLine::~UartLine() = default;

witness::Result<std::unique_ptr<UartLine>> UartLine::Create(Board& board, int number, double baud) {
  std::unique_ptr<UartLine> line(new UartLine(board, number, baud));
  Inside& inside = *line->inside_;
  inside.avr = board.emulator();
  const char name = static_cast<char>('0' + number);
  std::string known;
  for (avr_io_t* io = inside.avr->io_port; io != nullptr; io = io->next) {
    if (std::strcmp(io->kind, "uart") != 0) continue;
    auto* uart = reinterpret_cast<avr_uart_t*>(io);
    if (uart->name == name) inside.uart = uart;
    known += std::string(known.empty() ? "" : ", ") + "uart" + uart->name;
  }
  if (inside.uart == nullptr)
    return witness::Status(witness::Code::kInvalidArgument,
                           "uart" + std::to_string(number) + " is not on the " + board.mcu() +
                               (known.empty() ? ", which has none" : ", which has " + known));
  avr_uart_t& uart = *inside.uart;
  auto watch = [&inside](avr_io_addr_t address, avr_irq_notify_t call) {
    avr_irq_register_notify(avr_iomem_getirq(inside.avr, address, nullptr, AVR_IOMEM_IRQ_ALL), call,
                            &inside);
  };
  watch(uart.ubrrl.reg, &Inside::OnRate);
  watch(uart.r_ucsrc, &Inside::OnFormat);
  watch(uart.r_ucsra, &Inside::OnFormat);
  watch(uart.r_ucsrb, &Inside::OnControl);
  watch(uart.r_udr, &Inside::OnData);
  avr_irq_register_notify(
      avr_io_getirq(inside.avr, static_cast<std::uint32_t>(AVR_IOCTL_UART_GETIRQ(name)),
                    UART_IRQ_OUTPUT),
      &Inside::OnOutput, &inside);
  UartLine* self = line.get();
  board.OnReset([self](ResetCause cause, std::uint64_t) {
    if (cause == ResetCause::kJumpToZero) return;  // the UART knows nothing of it
    self->inside_->rate_set = false;
    self->inside_->transmitted = false;
    self->inside_->Forget();
  });
  line->buffer_ = FindUartBuffer(board.image(), number);
  line->SetFlaws(WaveFlaws{});
  return line;
}

void UartLine::SetFlaws(const WaveFlaws& flaws) {
  flaws_ = flaws;
  sender_.reset();
  FollowRate();
}

// A far side without a rate of its own takes the sketch's; before that is set, 9600.
void UartLine::FollowRate() {
  const double board = BoardRate();
  const double baud = baud_ > 0 ? baud_ : board > 0 ? board : 9600;
  if (sender_ != nullptr && baud == sender_baud_) return;
  sender_baud_ = baud;
  sender_ = std::make_unique<WaveSender>(board_.CyclesPerBit(baud), flaws_);
}

double UartLine::BoardRate() const {
  if (!inside_->rate_set) return 0;
  return board_.clock_hz() / static_cast<double>(inside_->CyclesPerBit());
}

std::uint64_t UartLine::IdleFrom() const {
  return static_cast<std::uint64_t>(std::ceil(sender_free_));
}

void UartLine::SetPace() {
  inside_->uart->cycles_per_byte =
      inside_->CyclesPerBit() * static_cast<std::uint64_t>(inside_->FrameBits());
}

std::uint64_t UartLine::Send(std::uint64_t cycle, witness::ByteView bytes) {
  FollowRate();
  std::vector<Edge> edges;
  double at = std::max(sender_free_, static_cast<double>(std::max(cycle, board_.cycle())));
  for (const char c : bytes) {
    ByteIn in;
    const std::size_t before = edges.size();
    const double next = sender_->Byte(at, static_cast<std::uint8_t>(c), edges);
    // A glitch in front moves the start bit.
    const double start = edges.size() > before + 2 && next - at > 11 * sender_->cycles_per_bit()
                             ? at + 2 * sender_->cycles_per_bit()
                             : at;
    in.start = static_cast<std::uint64_t>(std::llround(start));
    in.end = static_cast<std::uint64_t>(std::llround(start + 9 * sender_->cycles_per_bit()));
    in.value = static_cast<std::uint8_t>(c);
    sent_.push_back(in);
    at = next;
  }
  sender_free_ = at;
  edges_.insert(edges_.end(), edges.begin(), edges.end());
  Expect();
  return IdleFrom();
}

std::uint64_t UartLine::SendBreak(std::uint64_t cycle) {
  FollowRate();
  std::vector<Edge> edges;
  const double at = std::max(sender_free_, static_cast<double>(std::max(cycle, board_.cycle())));
  sender_free_ = sender_->Break(at, 15, edges);
  edges_.insert(edges_.end(), edges.begin(), edges.end());
  Expect();
  return IdleFrom();
}

// Asks to be called at the next falling edge, if it is not being waited for and no byte is being
// received.
void UartLine::Expect() {
  if (expecting_ || receiving_) return;
  while (!edges_.empty() && (edges_.front().high || !wire_high_)) {
    wire_high_ = edges_.front().high;
    edges_.pop_front();
  }
  if (edges_.empty()) return;
  expecting_ = true;
  board_.At(static_cast<std::uint64_t>(std::llround(edges_.front().at)), [this](std::uint64_t now) {
    expecting_ = false;
    StartBit(now);
  });
}

// The byte of ours, if any, whose start bit is the edge at `start`; those that it passes over were
// never seen as bytes.
std::size_t UartLine::NextSent(double start) {
  const double half = sender_->cycles_per_bit() / 2;
  while (next_sent_ < sent_.size() && static_cast<double>(sent_[next_sent_].start) < start - half) {
    Settle(next_sent_, Fate::kGarbled, board_.cycle());
    ++next_sent_;
  }
  if (next_sent_ < sent_.size() && static_cast<double>(sent_[next_sent_].start) <= start + half)
    return next_sent_;
  return sent_.size();
}

// Whether the line is high again in the middle of the start bit: the receiver then goes on waiting
// (data sheet, "Asynchronous Data Recovery").
bool UartLine::IsNoise(double start) const {
  const double middle = start + 0.5 * static_cast<double>(inside_->CyclesPerBit());
  bool level = false;
  for (const Edge& edge : edges_) {
    if (edge.at > middle) break;
    level = edge.high;
  }
  return level;
}

void UartLine::StartBit(std::uint64_t) {
  const double start = edges_.front().at;
  if (!inside_->Bit(inside_->uart->rxen)) {
    const std::size_t index = NextSent(start);
    if (index < sent_.size()) {
      Settle(index, Fate::kReceiverOff, board_.cycle());
      ++next_sent_;
    }
    wire_high_ = false;
    edges_.pop_front();
    Expect();
    return;
  }
  if (IsNoise(start)) {
    wire_high_ = false;
    edges_.pop_front();
    Expect();
    return;
  }
  if (Waiting(*inside_->uart) >= kReceiverHolds) {
    const std::size_t index = NextSent(start);
    inside_->avr->data[inside_->uart->dor.reg] |=
        static_cast<std::uint8_t>(1u << inside_->uart->dor.bit);
    if (index < sent_.size()) {
      Settle(index, Fate::kOverrun, board_.cycle());
      ++next_sent_;
    }
    // Its bits pass unseen: the receiver looks for the next start bit behind them.
    receiving_ = true;
    const double end = start + 9.5 * static_cast<double>(inside_->CyclesPerBit());
    board_.At(static_cast<std::uint64_t>(std::llround(end)), [this, end](std::uint64_t) {
      receiving_ = false;
      while (!edges_.empty() && edges_.front().at <= end) {
        wire_high_ = edges_.front().high;
        edges_.pop_front();
      }
      Expect();
    });
    return;
  }
  receiving_ = true;
  const double end = start + 9.5 * static_cast<double>(inside_->CyclesPerBit());
  const auto first = static_cast<std::uint64_t>(std::llround(start));
  board_.At(static_cast<std::uint64_t>(std::llround(end)),
            [this, first](std::uint64_t now) { StopBit(first, now); });
}

void UartLine::StopBit(std::uint64_t start_cycle, std::uint64_t now) {
  receiving_ = false;
  const double bit = static_cast<double>(inside_->CyclesPerBit());
  const double start = edges_.empty() ? static_cast<double>(start_cycle) : edges_.front().at;
  unsigned value = 0;
  bool stop = true;
  bool level = wire_high_;
  for (int i = 0; i < 10; ++i) {
    const double at = start + (0.5 + i) * bit;
    while (!edges_.empty() && edges_.front().at <= at) {
      level = edges_.front().high;
      edges_.pop_front();
    }
    if (i >= 1 && i <= 8 && level) value |= 1u << (i - 1);
    if (i == 9) stop = level;
  }
  wire_high_ = level;
  const std::size_t index = NextSent(start);
  if (!inside_->Bit(inside_->uart->rxen)) {
    if (index < sent_.size()) {
      Settle(index, Fate::kReceiverOff, now);
      ++next_sent_;
    }
    Expect();
    return;
  }
  Inside::Held held;
  if (index < sent_.size()) {
    held.index = index;
    ++next_sent_;
    held.fate = !stop                         ? Fate::kFramingError
                : value != sent_[index].value ? Fate::kGarbled
                                              : Fate::kTaken;
    if (on_arrival_ && (Waiting(*inside_->uart) > 0 || (buffer_ && buffer_->Full(board_))))
      on_arrival_(index);
  }
  inside_->held.push_back(held);
  // The emulator would tell the sketch one frame later; it has had its frame.
  const avr_cycle_count_t pace = inside_->uart->cycles_per_byte;
  inside_->uart->cycles_per_byte = 1;
  avr_raise_irq(avr_io_getirq(inside_->avr,
                              static_cast<std::uint32_t>(
                                  AVR_IOCTL_UART_GETIRQ(static_cast<char>('0' + number_))),
                              UART_IRQ_INPUT),
                value | (stop ? 0u : static_cast<unsigned>(UART_INPUT_FE)));
  inside_->uart->cycles_per_byte = pace;
  Expect();
}

// The sketch has read the data register.
void UartLine::Read(std::uint64_t now) {
  avr_uart_t& uart = *inside_->uart;
  // Else the emulator holds back the next byte for a frame, which has long been received.
  uart.rx_cnt = 0;
  if (Waiting(uart) > 0) avr_raise_interrupt(inside_->avr, &uart.rxc);
  if (inside_->held.empty()) return;
  const Inside::Held held = inside_->held.front();
  inside_->held.pop_front();
  if (!held.index) return;
  Fate fate = held.fate;
  if (buffer_ && buffer_->Full(board_)) {
    const ElfSymbol* reader = board_.image().FunctionAt(board_.ProgramCounter());
    if (reader != nullptr && reader->name.rfind("__vector_", 0) == 0) fate = Fate::kBufferFull;
  }
  Settle(*held.index, fate, now);
}

}  // namespace trial
