#include "capture/line/rfc2217_port.h"

#include <poll.h>

#include <algorithm>
#include <deque>

#include "capture/base/clock.h"
#include "capture/line/tcp.h"
#include "capture/line/telnet_line.h"

namespace witness {
namespace {

using Item = TelnetLine::Item;

// LineBit of store/event.h, as it travels in ModemLines.
constexpr std::uint32_t kRts = 1;
constexpr std::uint32_t kCts = 2;
constexpr std::uint32_t kDtr = 4;
constexpr std::uint32_t kDsr = 8;
constexpr std::uint32_t kDcd = 16;
constexpr std::uint32_t kRi = 32;

constexpr Duration kAgreeLimit = Duration::Seconds(3);
constexpr Duration kAnswerLimit = Duration::Seconds(2);
// Above this, Write takes no more until the socket has.
constexpr std::size_t kMostUnsent = 256 * 1024;

std::uint32_t LinesOfState(std::uint8_t state) {
  return (state & TelnetLine::kModemCts ? kCts : 0u) | (state & TelnetLine::kModemDsr ? kDsr : 0u) |
         (state & TelnetLine::kModemDcd ? kDcd : 0u) | (state & TelnetLine::kModemRi ? kRi : 0u);
}

std::uint8_t StateOfLines(std::uint32_t lines) {
  return static_cast<std::uint8_t>(
      (lines & kCts ? TelnetLine::kModemCts : 0) | (lines & kDsr ? TelnetLine::kModemDsr : 0) |
      (lines & kDcd ? TelnetLine::kModemDcd : 0) | (lines & kRi ? TelnetLine::kModemRi : 0));
}

std::uint8_t FlowControlValue(FlowControl flow) {
  switch (flow) {
    case FlowControl::kNone:
      return TelnetLine::kFlowNone;
    case FlowControl::kXonXoff:
      return TelnetLine::kFlowXonXoff;
    case FlowControl::kRtsCts:
      return TelnetLine::kFlowRtsCts;
  }
  return TelnetLine::kFlowNone;
}

// What both ends share: the socket, and reading items in the order in which they came.
class TelnetPort : public Port {
 public:
  TelnetPort(int socket, std::string name, TelnetLine::End end)
      : socket_(socket), name_(std::move(name)), line_(end) {
    line_.Offer();
    SendUnsent().Ignore();
  }

  std::string name() const override { return name_; }
  int poll_handle() const override { return socket_.get(); }

  ReadResult Read(std::span<char> buffer) override {
    ReadResult out;
    if (items_.empty()) {
      out = ReceiveFrom(socket_.get(), buffer, name_);
      if (out.outcome != ReadOutcome::kBytes) return out;
      Take(ByteView(buffer.data(), out.size));
      out = ReadResult();
    }
    while (!items_.empty()) {
      Item& item = items_.front();
      if (item.kind == Item::Kind::kData) {
        const std::size_t size = std::min(item.bytes.size(), buffer.size() - out.size);
        std::copy_n(item.bytes.begin(), size,
                    buffer.begin() + static_cast<std::ptrdiff_t>(out.size));
        out.size += size;
        item.bytes.erase(0, size);
        if (!item.bytes.empty()) break;
      } else if (item.kind == Item::Kind::kCommand) {
        // Requests stand before the bytes of a read.
        if (out.size > 0 && AsksForSomething(item)) break;
        TakeCommand(item, out);
      }
      items_.pop_front();
      // One request at a time: the next one builds on what became of it.
      if (!out.requests.empty()) break;
    }
    out.more = !items_.empty();
    const bool something = out.size > 0 || !out.marks.empty() || !out.requests.empty();
    out.outcome =
        something || out.more || TakeNews() ? ReadOutcome::kBytes : ReadOutcome::kNothingYet;
    if (Status s = SendUnsent(); !s.ok()) {
      out.outcome = ReadOutcome::kGone;
      out.status = s;
    }
    return out;
  }

  bool Holding() const override { return !items_.empty(); }

  Result<std::size_t> Write(ByteView bytes) override {
    if (Unsent() > kMostUnsent) return std::size_t{0};
    line_.SendData(bytes);
    if (Status s = SendUnsent(); !s.ok()) return s;
    return bytes.size();
  }

  std::size_t Unsent() const override {
    return suspended_ ? 0 : const_cast<TelnetLine&>(line_).output().size();
  }

  Status SendUnsent() override {
    Bytes& output = line_.output();
    while (!suspended_ && !output.empty()) {
      const Result<std::size_t> sent = SendTo(socket_.get(), output, name_);
      if (!sent.ok()) return sent.status();
      if (*sent == 0) break;
      output.erase(0, *sent);
    }
    return OkStatus();
  }

  Status Close() override {
    socket_.Close();
    return OkStatus();
  }

 protected:
  void Take(ByteView raw) {
    std::vector<Item> came;
    line_.Feed(raw, came);
    for (Item& item : came) items_.push_back(std::move(item));
  }

  // Whether the command becomes a request in the read's result.
  virtual bool AsksForSomething(const Item& command) const = 0;
  virtual void TakeCommand(const Item& command, ReadResult& out) = 0;
  // Something that only shows in the counts or lines has come.
  virtual bool TakeNews() { return false; }

  Socket socket_;
  std::string name_;
  TelnetLine line_;
  std::deque<Item> items_;
  bool suspended_ = false;
};

class ClientPort : public TelnetPort {
 public:
  ClientPort(int socket, std::string name)
      : TelnetPort(socket, std::move(name), TelnetLine::End::kClient) {}
  ~ClientPort() override { Close().Ignore(); }

  Status Agree() {
    const bool answered = WaitFor(kAgreeLimit, [this] {
      return line_.agreed() || std::any_of(items_.begin(), items_.end(), [](const Item& item) {
               return item.kind == Item::Kind::kRefused;
             });
    });
    if (!answered || !line_.agreed())
      return Status(Code::kUnsupported,
                    name_ +
                        ": what listens there does not speak RFC 2217; for plain bytes use "
                        "tcp://HOST:PORT");
    line_.SendCommand(TelnetLine::kLineStateMask,
                      TelnetLine::kLineBreak | TelnetLine::kLineFraming | TelnetLine::kLineParity |
                          TelnetLine::kLineOverrun);
    line_.SendCommand(TelnetLine::kModemStateMask, 0xff);
    return SendUnsent();
  }

  Result<LineSettings> Configure(const LineSettings& settings) override {
    answered_ = 0;
    if (settings.baud != 0) line_.SendBaud(settings.baud);
    line_.SendCommand(TelnetLine::kDataSize, settings.data_bits);
    line_.SendCommand(TelnetLine::kParity, TelnetParity(settings.parity));
    line_.SendCommand(TelnetLine::kStopSize, TelnetStopBits(settings.stop_bits));
    line_.SendCommand(TelnetLine::kControl, FlowControlValue(settings.flow));
    if (Status s = SendUnsent(); !s.ok()) return s;
    got_ = settings;
    const unsigned wanted = (settings.baud != 0 ? 1u << TelnetLine::kBaud : 0u) |
                            1u << TelnetLine::kDataSize | 1u << TelnetLine::kParity |
                            1u << TelnetLine::kStopSize;
    if (!WaitFor(kAnswerLimit, [&] { return (answered_ & wanted) == wanted; }))
      return Status(Code::kIo, name_ + ": the server does not answer what settings it took");
    return got_;
  }

  Result<ModemLines> Lines() override {
    ModemLines out;
    out.known = kRts | kDtr | kCts | kDsr | kDcd | kRi;
    out.asserted = lines_ | outputs_;
    return out;
  }

  Status SetLines(std::uint32_t mask, std::uint32_t asserted) override {
    if (mask & kDtr)
      line_.SendCommand(TelnetLine::kControl,
                        asserted & kDtr ? TelnetLine::kDtrOn : TelnetLine::kDtrOff);
    if (mask & kRts)
      line_.SendCommand(TelnetLine::kControl,
                        asserted & kRts ? TelnetLine::kRtsOn : TelnetLine::kRtsOff);
    outputs_ = (outputs_ & ~mask) | (asserted & mask & (kDtr | kRts));
    return SendUnsent();
  }

  Status SetBreak(bool on) override {
    line_.SendCommand(TelnetLine::kControl, on ? TelnetLine::kBreakOn : TelnetLine::kBreakOff);
    return SendUnsent();
  }

  Status SendBreak(Duration length) override {
    if (Status s = SetBreak(true); !s.ok()) return s;
    poll(nullptr, 0, static_cast<int>(std::clamp<std::int64_t>(length.ns() / 1'000'000, 1, 1000)));
    return SetBreak(false);
  }

  // As a null-modem cable does; see SerialPort.
  void ShowLines(std::uint32_t asserted, std::uint32_t changed) override {
    const auto across = [](std::uint32_t lines) {
      return (lines & kCts ? kRts : 0u) | (lines & kDsr ? kDtr : 0u);
    };
    if (across(changed) != 0) SetLines(across(changed), across(asserted)).Ignore();
  }

  bool Counts(LineCounts& out) override {
    out = counts_;
    return true;
  }

  Result<int> WatchLines() override { return -1; }
  std::vector<LineChange> TakeLineChanges() override { return std::exchange(changes_, {}); }

 private:
  // Reads for a while without handing anything out; data waits in items_.
  template <typename Done>
  bool WaitFor(Duration limit, const Done& done) {
    MonotonicClock clock;
    std::size_t taken = items_.size();  // what came before answers something else
    while (!done()) {
      const Duration left = limit - (clock.Now() - Instant());
      if (left <= Duration::Zero()) return false;
      pollfd wait = {socket_.get(), POLLIN, 0};
      poll(&wait, 1, static_cast<int>(left.ns() / 1'000'000) + 1);
      char buffer[4096];
      const ReadResult got = ReceiveFrom(socket_.get(), buffer, name_);
      if (got.outcome == ReadOutcome::kFinished || got.outcome == ReadOutcome::kGone) return false;
      if (got.outcome == ReadOutcome::kBytes) Take(ByteView(buffer, got.size));
      for (; taken < items_.size(); ++taken)
        if (items_[taken].kind == Item::Kind::kCommand) TakeAnswer(items_[taken]);
      if (!SendUnsent().ok()) return false;
    }
    return true;
  }

  bool AsksForSomething(const Item&) const override { return false; }

  void TakeAnswer(const Item& item) {
    const auto value =
        item.bytes.empty() ? std::uint8_t{0} : static_cast<std::uint8_t>(item.bytes[0]);
    switch (item.command) {
      case TelnetLine::kBaud:
        if (const std::uint32_t baud = BaudOfTelnet(item.bytes); baud != 0) got_.baud = baud;
        break;
      case TelnetLine::kDataSize:
        if (value >= 5 && value <= 8) got_.data_bits = value;
        break;
      case TelnetLine::kParity:
        got_.parity = ParityOfTelnet(value).value_or(got_.parity);
        break;
      case TelnetLine::kStopSize:
        got_.stop_bits = StopBitsOfTelnet(value).value_or(got_.stop_bits);
        break;
      default:
        return;
    }
    answered_ |= 1u << item.command;
  }

  void TakeCommand(const Item& item, ReadResult& out) override {
    const auto value =
        item.bytes.empty() ? std::uint8_t{0} : static_cast<std::uint8_t>(item.bytes[0]);
    switch (item.command) {
      case TelnetLine::kModemState: {
        const std::uint32_t now = LinesOfState(value);
        if (now != lines_) changes_.push_back({Duration::Zero(), now, now ^ lines_});
        lines_ = now;
        news_ = true;
        break;
      }
      case TelnetLine::kLineState:
        if (value & TelnetLine::kLineOverrun) ++counts_.overrun;
        if (value & TelnetLine::kLineParity) ++counts_.parity;
        if (value & TelnetLine::kLineFraming) ++counts_.framing;
        if (value & TelnetLine::kLineBreak) {
          ++counts_.breaks;
          out.marks.push_back({ReadMark::Kind::kBreak, out.size});
        }
        news_ = true;
        break;
      case TelnetLine::kSuspend:
        suspended_ = true;
        break;
      case TelnetLine::kResume:
        suspended_ = false;
        break;
      default:
        TakeAnswer(item);
        break;
    }
  }

  bool TakeNews() override { return std::exchange(news_, false); }

  LineSettings got_;
  unsigned answered_ = 0;  // bit a command
  std::uint32_t lines_ = 0;
  std::uint32_t outputs_ = 0;
  LineCounts counts_;
  std::vector<LineChange> changes_;
  bool news_ = false;
};

class ServerPort : public TelnetPort {
 public:
  ServerPort(int socket, std::string name)
      : TelnetPort(socket, std::move(name), TelnetLine::End::kServer) {}
  ~ServerPort() override { Close().Ignore(); }

  Result<LineSettings> Configure(const LineSettings& settings) override {
    ShowSettings(settings);
    return settings;
  }
  Result<ModemLines> Lines() override {
    return Status(Code::kUnsupported, name_ + ": the client has no modem lines");
  }
  Status SetLines(std::uint32_t, std::uint32_t) override { return Lines().status(); }
  Status SendBreak(Duration) override { return SetBreak(true); }

  // A break came from the module: the client is told.
  Status SetBreak(bool on) override {
    if (on && (line_state_mask_ & TelnetLine::kLineBreak))
      line_.SendCommand(TelnetLine::kLineState, TelnetLine::kLineBreak);
    return SendUnsent();
  }

  void ShowSettings(const LineSettings& got) override {
    settings_ = got;
    for (const TelnetLine::Command command : std::exchange(unanswered_, {})) Answer(command);
    SendUnsent().Ignore();
  }

  void ShowLines(std::uint32_t asserted, std::uint32_t) override {
    const std::uint8_t now = StateOfLines(asserted);
    const std::uint8_t changed = static_cast<std::uint8_t>(now ^ state_);
    state_ = now;
    // The low half says what changed; of RI only its end counts (RFC 2217, section 3).
    const std::uint8_t ri_ended = static_cast<std::uint8_t>(changed & ~now & TelnetLine::kModemRi);
    const auto deltas =
        static_cast<std::uint8_t>(((changed & ~TelnetLine::kModemRi) | ri_ended) >> 4);
    if ((changed & modem_state_mask_) != 0)
      line_.SendCommand(TelnetLine::kModemState, static_cast<std::uint8_t>(now | deltas));
    SendUnsent().Ignore();
  }

 private:
  void Answer(TelnetLine::Command command) {
    switch (command) {
      case TelnetLine::kBaud:
        line_.SendBaud(settings_.baud);
        break;
      case TelnetLine::kDataSize:
        line_.SendCommand(command, settings_.data_bits);
        break;
      case TelnetLine::kParity:
        line_.SendCommand(command, TelnetParity(settings_.parity));
        break;
      case TelnetLine::kStopSize:
        line_.SendCommand(command, TelnetStopBits(settings_.stop_bits));
        break;
      default:
        line_.SendCommand(TelnetLine::kControl, FlowControlValue(settings_.flow));
        break;
    }
  }

  bool AsksForSomething(const Item& item) const override {
    return item.command >= TelnetLine::kBaud && item.command <= TelnetLine::kControl;
  }

  void TakeCommand(const Item& item, ReadResult& out) override {
    const auto value =
        item.bytes.empty() ? std::uint8_t{0} : static_cast<std::uint8_t>(item.bytes[0]);
    LineSettings wanted = settings_;
    bool asks = true;
    switch (item.command) {
      case TelnetLine::kSignature:
        if (item.bytes.empty()) line_.SendCommand(TelnetLine::kSignature, "bytewitness");
        return;
      case TelnetLine::kBaud:
        asks = BaudOfTelnet(item.bytes) == 0;
        if (!asks) wanted.baud = BaudOfTelnet(item.bytes);
        break;
      case TelnetLine::kDataSize:
        asks = value < 5 || value > 8;
        if (!asks) wanted.data_bits = value;
        break;
      case TelnetLine::kParity:
        asks = !ParityOfTelnet(value);
        wanted.parity = ParityOfTelnet(value).value_or(wanted.parity);
        break;
      case TelnetLine::kStopSize:
        asks = !StopBitsOfTelnet(value);
        wanted.stop_bits = StopBitsOfTelnet(value).value_or(wanted.stop_bits);
        break;
      case TelnetLine::kControl:
        TakeControl(value, out);
        return;
      case TelnetLine::kLineStateMask:
        line_state_mask_ = value;
        line_.SendCommand(item.command, value);
        return;
      case TelnetLine::kModemStateMask:
        modem_state_mask_ = value;
        line_.SendCommand(item.command, value);
        line_.SendCommand(TelnetLine::kModemState, state_);
        return;
      case TelnetLine::kPurge:
        line_.SendCommand(item.command, value);
        return;
      case TelnetLine::kSuspend:
        suspended_ = true;
        return;
      case TelnetLine::kResume:
        suspended_ = false;
        return;
      default:
        return;
    }
    if (asks) {
      Answer(item.command);
      return;
    }
    unanswered_.push_back(item.command);
    LineRequest request;
    request.settings = wanted;
    out.requests.push_back(request);
  }

  void TakeControl(std::uint8_t value, ReadResult& out) {
    LineRequest request;
    LineSettings wanted = settings_;
    switch (value) {
      case TelnetLine::kFlowNone:
      case TelnetLine::kFlowXonXoff:
      case TelnetLine::kFlowRtsCts:
        wanted.flow = value == TelnetLine::kFlowNone      ? FlowControl::kNone
                      : value == TelnetLine::kFlowXonXoff ? FlowControl::kXonXoff
                                                          : FlowControl::kRtsCts;
        unanswered_.push_back(TelnetLine::kControl);
        request.settings = wanted;
        out.requests.push_back(request);
        return;
      case TelnetLine::kBreakOn:
      case TelnetLine::kBreakOff:
        request.break_on = break_on_ = value == TelnetLine::kBreakOn;
        break;
      case TelnetLine::kDtrOn:
      case TelnetLine::kDtrOff:
        request.line_mask = kDtr;
        request.line_levels = value == TelnetLine::kDtrOn ? kDtr : 0;
        outputs_ = (outputs_ & ~kDtr) | request.line_levels;
        break;
      case TelnetLine::kRtsOn:
      case TelnetLine::kRtsOff:
        request.line_mask = kRts;
        request.line_levels = value == TelnetLine::kRtsOn ? kRts : 0;
        outputs_ = (outputs_ & ~kRts) | request.line_levels;
        break;
      case TelnetLine::kBreakAsk:
        line_.SendCommand(TelnetLine::kControl,
                          break_on_ ? TelnetLine::kBreakOn : TelnetLine::kBreakOff);
        return;
      case TelnetLine::kDtrAsk:
        line_.SendCommand(TelnetLine::kControl,
                          outputs_ & kDtr ? TelnetLine::kDtrOn : TelnetLine::kDtrOff);
        return;
      case TelnetLine::kRtsAsk:
        line_.SendCommand(TelnetLine::kControl,
                          outputs_ & kRts ? TelnetLine::kRtsOn : TelnetLine::kRtsOff);
        return;
      default:  // what else there is of flow control is not for us to set: as it is
        Answer(TelnetLine::kControl);
        return;
    }
    line_.SendCommand(TelnetLine::kControl, value);
    out.requests.push_back(request);
  }

  LineSettings settings_;
  std::vector<TelnetLine::Command> unanswered_;
  std::uint8_t line_state_mask_ = 0;
  std::uint8_t modem_state_mask_ = 0xff;  // RFC 2217, section 3: the masks' first values
  std::uint8_t state_ = 0;
  std::uint32_t outputs_ = kDtr | kRts;
  bool break_on_ = false;
};

}  // namespace

Result<std::unique_ptr<Port>> UseRfc2217(int socket, const std::string& name) {
  auto port = std::make_unique<ClientPort>(socket, name);
  if (Status s = port->Agree(); !s.ok()) return s;
  return std::unique_ptr<Port>(std::move(port));
}

std::unique_ptr<Port> ServeRfc2217(int socket, const std::string& name) {
  return std::make_unique<ServerPort>(socket, name);
}

}  // namespace witness
