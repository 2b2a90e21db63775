#include "replay/subject/sketch/pin_line.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "replay/subject/sketch/emulator.h"

namespace trial {

PinLine::PinLine(Board& board, PinName receive, PinName transmit, double baud)
    : board_(board), receive_(receive), transmit_(transmit), baud_(baud) {}

PinLine::~PinLine() = default;

witness::Result<std::unique_ptr<PinLine>> PinLine::Create(Board& board, PinName receive,
                                                          PinName transmit, double baud) {
  for (const PinName pin : {receive, transmit})
    if (!board.HasPort(pin.port))
      return witness::Status(witness::Code::kInvalidArgument,
                             FormatPin(pin) + " is not on the " + board.mcu());
  std::unique_ptr<PinLine> line(new PinLine(board, receive, transmit, baud));
  for (avr_io_t* io = board.emulator()->io_port; io != nullptr; io = io->next) {
    if (std::strcmp(io->kind, "port") != 0) continue;
    auto* port = reinterpret_cast<avr_ioport_t*>(io);
    if (port->name == receive.port) line->pin_register_ = port->r_pin;
  }
  line->ports_ = FindSoftwarePorts(board.image());
  line->SetFlaws(WaveFlaws{});
  board.DrivePin(receive, true);  // an idle line
  line->high_ = board.PinLevel(transmit) || !board.IsOutput(transmit);
  PinLine* self = line.get();
  board.WatchPin(transmit, [self](std::uint64_t now, bool level) { self->OnTransmit(now, level); });
  return line;
}

void PinLine::SetFlaws(const WaveFlaws& flaws) {
  sender_ = std::make_unique<WaveSender>(board_.CyclesPerBit(baud_), flaws);
}

std::uint64_t PinLine::IdleFrom() const {
  return static_cast<std::uint64_t>(std::ceil(sender_free_));
}

double PinLine::BoardRate() const {
  return shortest_ == 0 ? 0 : board_.clock_hz() / static_cast<double>(shortest_);
}

bool PinLine::Listening() const {
  return !ports_ || ListensAt(board_, *ports_, pin_register_, receive_.bit);
}

std::uint64_t PinLine::Send(std::uint64_t cycle, witness::ByteView bytes) {
  std::vector<Edge> edges;
  const double bit = sender_->cycles_per_bit();
  double at = std::max(sender_free_, static_cast<double>(std::max(cycle, board_.cycle())));
  for (const char c : bytes) {
    const std::size_t before = edges.size();
    const double next = sender_->Byte(at, static_cast<std::uint8_t>(c), edges);
    const double start =
        edges.size() > before + 2 && next - at > 11 * bit ? at + 2 * bit : at;  // a glitch in front
    ByteIn in;
    in.start = static_cast<std::uint64_t>(std::llround(start));
    in.end = static_cast<std::uint64_t>(std::llround(start + 9 * bit));
    in.value = static_cast<std::uint8_t>(c);
    sent_.push_back(in);
    WatchFate(sent_.size() - 1, start);
    at = next;
  }
  sender_free_ = at;
  Queue(edges);
  return IdleFrom();
}

std::uint64_t PinLine::SendBreak(std::uint64_t cycle) {
  std::vector<Edge> edges;
  const double at = std::max(sender_free_, static_cast<double>(std::max(cycle, board_.cycle())));
  sender_free_ = sender_->Break(at, 15, edges);
  Queue(edges);
  return IdleFrom();
}

void PinLine::Queue(const std::vector<Edge>& edges) {
  edges_.insert(edges_.end(), edges.begin(), edges.end());
  Arm();
}

void PinLine::Arm() {
  if (armed_ || edges_.empty()) return;
  armed_ = true;
  board_.At(static_cast<std::uint64_t>(std::llround(edges_.front().at)),
            [this](std::uint64_t now) { NextEdge(now); });
}

void PinLine::NextEdge(std::uint64_t) {
  armed_ = false;
  const Edge edge = edges_.front();
  edges_.pop_front();
  board_.DrivePin(receive_, edge.high);
  Arm();
}

// One bit into the byte: which port listens and where the ring stands. One bit behind its end the
// sketch's interrupt has stored it, if it ever will.
void PinLine::WatchFate(std::size_t index, double start) {
  if (!ports_) return;
  const double bit = sender_->cycles_per_bit();
  board_.At(static_cast<std::uint64_t>(std::llround(start)), [this, index](std::uint64_t) {
    if (on_arrival_) on_arrival_(index);
  });
  board_.At(static_cast<std::uint64_t>(std::llround(start + bit)), [=, this](std::uint64_t) {
    const std::uint8_t put = board_.Data(ports_->buffer.put);
    const bool listening = Listening();
    board_.At(
        static_cast<std::uint64_t>(std::llround(start + 11 * bit)), [=, this](std::uint64_t now) {
          const ReceiveBuffer& ring = ports_->buffer;
          const std::uint8_t put_now = board_.Data(ring.put);
          if (put_now != put && listening) {
            const auto last = static_cast<std::uint16_t>((put_now + ring.size - 1) % ring.size);
            const std::uint8_t value = board_.Data(static_cast<std::uint16_t>(ring.data + last));
            Settle(index, value == sent_[index].value ? Fate::kTaken : Fate::kGarbled, now);
          } else if (!listening) {
            Settle(index, Fate::kNotListening, now);
          } else {
            Settle(index, ring.Full(board_) ? Fate::kBufferFull : Fate::kMissed, now);
          }
        });
  });
}

// A pin that is no output floats, and modules hold their receiving pin high (common practice, no
// source): so a reset begins no byte.
void PinLine::OnTransmit(std::uint64_t now, bool driven) {
  const bool level = driven || !board_.IsOutput(transmit_);
  if (level == high_) return;
  if (decoding_) {
    seen_.push_back({static_cast<double>(now), level});
    const std::uint64_t pulse = now - last_change_;
    if (shortest_ == 0 || pulse < shortest_) shortest_ = pulse;
  } else if (high_ && !level) {
    decoding_ = true;
    start_ = now;
    seen_.clear();
    // In the middle of the stop bit, a little late so that the edge of a slow last bit is in.
    board_.At(now + static_cast<std::uint64_t>(std::llround(9.6 * board_.CyclesPerBit(baud_))),
              [this](std::uint64_t) { Decode(); });
  }
  high_ = level;
  last_change_ = now;
}

void PinLine::Decode() {
  const double bit = board_.CyclesPerBit(baud_);
  auto level_at = [this](double at) {
    bool level = false;
    for (const Edge& edge : seen_) {
      if (edge.at > at) break;
      level = edge.high;
    }
    return level;
  };
  ByteOut out;
  out.start = start_;
  out.end = board_.cycle();
  const double start = static_cast<double>(start_);
  for (int i = 0; i < 8; ++i)
    if (level_at(start + (1.5 + i) * bit))
      out.value = static_cast<std::uint8_t>(out.value | 1u << i);
  out.framing_error = !level_at(start + 9.5 * bit);
  decoding_ = false;
  if (on_byte_) on_byte_(out);
}

}  // namespace trial
