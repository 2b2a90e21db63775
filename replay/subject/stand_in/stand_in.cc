#include "bytewitness/stand_in.h"

#include <algorithm>
#include <cmath>
#include <deque>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/store/capture_writer.h"
#include "replay/part/build.h"
#include "replay/play/player.h"
#include "replay/subject/stand_in/varied.h"
#include "replay/subject/stand_in/virtual_time.h"

namespace bytewitness {

using trial::Player;
using trial::TimedThing;
using trial::VirtualTime;
using witness::Bytes;
using witness::Duration;
using witness::EventKind;
using witness::Instant;
using witness::Side;

namespace {

// Places of the core's ring buffers; one stays empty, so that full can be told from empty
// (SERIAL_RX_BUFFER_SIZE, SERIAL_TX_BUFFER_SIZE in HardwareSerial.h, _SS_MAX_RX_BUFF in
// SoftwareSerial.h of arduino-core-avr).
constexpr std::size_t kBuffer = 64 - 1;
// A receiver follows a rate that is off by so much (Microchip ATmega328P data sheet, "Recommended
// maximum receiver baud rate error": at most +4.58 % / -4.54 % for eight bits without parity).
constexpr double kTolerance = 0.045;

}  // namespace

void limit_time(unsigned long milliseconds) {
  VirtualTime::Current().Limit(Duration::Milliseconds(static_cast<std::int64_t>(milliseconds)));
}

class StandIn::Inside : public TimedThing {
 public:
  struct OnLine {
    Instant start, end;
    char byte = 0;
  };
  struct Span {
    Instant from, to;
  };

  Inside(trial::Part part, bool same_output)
      : same_output_(same_output),
        baud_(part.line.baud != 0 ? part.line.baud : 9600),
        player_(std::move(part)) {
    witness::LineSettings line = player_.part().line;
    line.baud = baud_;
    character_ = line.CharacterTime();
    VirtualTime::Current().Join(this);
    player_.Start(Now());
  }
  ~Inside() override { VirtualTime::Current().Leave(this); }

  static Instant Now() { return VirtualTime::Current().now(); }

  Instant NextAt() const override {
    Instant next = player_.NextAt();
    if (!out_.empty()) next = std::min(next, out_.front().end);
    if (!in_.empty()) next = std::min(next, in_.front().end);
    return next;
  }

  void Work(Instant now) override {
    while (!out_.empty() && out_.front().end <= now) {
      const char byte = out_.front().byte;
      out_.pop_front();
      if (Understood()) player_.Receive(now, witness::ByteView(&byte, 1));
      Keep(now, Side::kHost, byte);
    }
    while (!in_.empty() && in_.front().end <= now) {
      Arrive(in_.front());
      in_.pop_front();
    }
    if (player_.NextAt() > now) return;
    sends_.clear();
    player_.Advance(now, sends_);
    for (const trial::Send& send : sends_)
      for (const char byte : send.bytes) {
        const Instant start = std::max(send.due, in_free_);
        in_free_ = start + character_;
        in_.push_back({start, in_free_, byte});
      }
  }

  void Arrive(const OnLine& byte);

  bool Understood() const {
    return open_ && std::abs(static_cast<double>(rate_) / baud_ - 1) <= kTolerance;
  }

  void Write(char byte) {
    written_ += byte;
    if (!open_) return;
    // A software port keeps the processor until the stop bit is out; the UART's buffer takes as
    // many as it has places.
    VirtualTime& time = VirtualTime::Current();
    if (!software_) time.PassUntil([this] { return out_.size() <= kBuffer; }, "write");
    const Instant start = std::max(Now(), out_free_);
    out_free_ = start + character_;
    out_.push_back({start, out_free_, byte});
    time.LookAgain();
    if (software_) {
      deaf_.push_back({start, out_free_});
      if (deaf_.size() > 4096) deaf_.pop_front();
      Flush("write");
    }
  }

  void Flush(const char* call) {
    if (out_free_ > Now()) VirtualTime::Current().Pass(out_free_ - Now(), call);
  }

  void Keep(Instant at, Side side, char byte) {
    witness::Event event;
    event.at = at;
    event.kind = EventKind::kBytes;
    event.side = side;
    event.bytes = witness::ByteView(&byte, 1);
    said_.emplace_back(event);
  }

  bool same_output_ = true;
  std::uint32_t baud_ = 9600;
  std::uint32_t rate_ = 9600;  // of the sketch's port
  Player player_;
  Duration character_;
  bool open_ = true;
  bool software_ = false;
  bool listening_ = true;
  std::deque<OnLine> out_;  // from the sketch, not yet through
  Instant out_free_;
  std::deque<OnLine> in_;  // from the module
  Instant in_free_;
  std::deque<Span> deaf_;  // a software port was sending
  std::deque<char> buffer_;
  std::size_t lost_ = 0;
  std::vector<trial::Send> sends_;
  std::string written_;
  std::vector<witness::OwnedEvent> said_;
};

void StandIn::Inside::Arrive(const OnLine& byte) {
  Keep(byte.end, Side::kModule, byte.byte);
  // A start bit that falls while it sends is not seen.
  const bool sending = std::any_of(deaf_.begin(), deaf_.end(), [&byte](const Span& span) {
    return byte.start >= span.from && byte.start < span.to;
  });
  if (!Understood() || !listening_ || sending || buffer_.size() >= kBuffer)
    ++lost_;
  else
    buffer_.push_back(byte.byte);
}

StandIn::StandIn() : inside_(std::make_unique<Inside>(trial::Part(), true)) {}

StandIn::StandIn(const VariedPart& part) {
  auto varied = trial::Prepare(part);
  if (!varied.ok()) throw std::invalid_argument(varied.status().message());
  const bool same = varied->expectation.same_output;
  inside_ = std::make_unique<Inside>(std::move(varied->part), same);
  inside_->rate_ = inside_->baud_;
}

StandIn::StandIn(const std::string& path, const std::string& variation)
    : StandIn(VariedPart{path, variation, 1, ""}) {}

StandIn::~StandIn() = default;

void StandIn::begin(unsigned long baud, std::uint8_t) {
  inside_->rate_ = static_cast<std::uint32_t>(baud);
  inside_->open_ = true;
}
void StandIn::end() {
  flush();
  inside_->open_ = false;
  inside_->buffer_.clear();
}

int StandIn::available() {
  VirtualTime::Current().Look("available");
  return static_cast<int>(inside_->buffer_.size());
}
int StandIn::peek() {
  VirtualTime::Current().Look("peek");
  if (inside_->buffer_.empty()) return -1;
  return static_cast<unsigned char>(inside_->buffer_.front());
}
int StandIn::read() {
  VirtualTime::Current().Look("read");
  if (inside_->buffer_.empty()) return -1;
  const char c = inside_->buffer_.front();
  inside_->buffer_.pop_front();
  return static_cast<unsigned char>(c);
}
std::size_t StandIn::write(std::uint8_t byte) {
  inside_->Write(static_cast<char>(byte));
  return 1;
}
int StandIn::availableForWrite() {
  VirtualTime::Current().Look("availableForWrite");
  return static_cast<int>(kBuffer - std::min(kBuffer, inside_->out_.size()));
}
void StandIn::flush() { inside_->Flush("flush"); }

void StandIn::like_software_port(bool software) { inside_->software_ = software; }
void StandIn::set_listening(bool listening) {
  // The buffer is thrown away when a software port begins to listen (SoftwareSerial.cpp, listen).
  if (inside_->software_ && listening && !inside_->listening_) inside_->buffer_.clear();
  inside_->listening_ = listening;
}

std::vector<std::string> StandIn::commands() const {
  std::vector<std::string> all;
  for (const trial::TakenCommand& command : inside_->player_.commands())
    all.emplace_back(command.bytes);
  return all;
}
std::vector<std::string> StandIn::unknown_commands() const {
  std::vector<std::string> all;
  for (const trial::TakenCommand& command : inside_->player_.commands())
    if (!command.known) all.emplace_back(command.bytes);
  return all;
}
std::string StandIn::written() const { return inside_->written_; }
std::size_t StandIn::lost() const { return inside_->lost_; }
std::size_t StandIn::unread() const { return inside_->buffer_.size(); }
bool StandIn::same_output() const { return inside_->same_output_; }

std::string StandIn::account() const {
  std::string text;
  Side side = Side::kUnknown;
  Bytes piece;
  Instant from, last;
  const auto say = [&] {
    if (piece.empty()) return;
    std::string at = witness::FormatInstant(from);
    if (at.size() < 12) at.insert(0, 12 - at.size(), ' ');
    text += at + "  " + (side == Side::kHost ? "host    " : "module  ") + witness::SafeText(piece) +
            "\n";
    piece.clear();
  };
  for (const witness::OwnedEvent& event : inside_->said_) {
    // Another side, a new line, or a silence longer than three characters take.
    const bool ended = !piece.empty() && piece.back() == '\n';
    if (event.event.side != side || ended || event.event.at - last > inside_->character_ * 3) {
      say();
      side = event.event.side;
      from = event.event.at;
    }
    piece += event.bytes;
    last = event.event.at;
  }
  say();
  if (inside_->lost_ > 0)
    text += "              " + std::to_string(inside_->lost_) +
            " bytes of the module were lost: the sketch did not take them in time, or its port "
            "was not open for them\n";
  if (!inside_->open_ || inside_->Understood()) return text;
  return text + "              the sketch's port is set to " + std::to_string(inside_->rate_) +
         " baud, the module speaks " + std::to_string(inside_->baud_) + "\n";
}

void StandIn::keep(const std::string& path) const {
  witness::CaptureInfo info;
  info.tool = std::string("stand-in ") + witness::kToolVersion;
  info.origin = witness::Origin::kTrial;
  info.virtual_time = true;
  witness::WriterOptions options;
  options.durability = witness::Durability::kRelaxed;
  options.replace = true;
  auto writer = witness::CaptureWriter::Create(path, info, options);
  witness::Status status = writer.ok() ? witness::OkStatus() : writer.status();
  for (const witness::OwnedEvent& event : inside_->said_)
    if (status.ok()) status = (*writer)->Append(event.View());
  if (status.ok()) status = (*writer)->Close(Inside::Now());
  if (!status.ok()) throw std::runtime_error(status.message());
}

}  // namespace bytewitness
