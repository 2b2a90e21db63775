#include "capture/line/telnet_line.h"

namespace witness {
namespace {

// RFC 854
constexpr std::uint8_t kSe = 240;
constexpr std::uint8_t kSb = 250;
constexpr std::uint8_t kWill = 251;
constexpr std::uint8_t kWont = 252;
constexpr std::uint8_t kDo = 253;
constexpr std::uint8_t kDont = 254;
constexpr std::uint8_t kIac = 255;
// RFC 856, RFC 858, RFC 2217
constexpr std::uint8_t kBinary = 0;
constexpr std::uint8_t kSuppressGoAhead = 3;
constexpr std::uint8_t kComPort = 44;
constexpr std::uint8_t kServerOffset = 100;

constexpr std::size_t kLongestSub = 1024;

void AppendDoubled(Bytes& out, ByteView bytes) {
  std::size_t from = 0;
  for (std::size_t at = bytes.find('\xff'); at != ByteView::npos; at = bytes.find('\xff', from)) {
    out += bytes.substr(from, at - from + 1);
    out += '\xff';
    from = at + 1;
  }
  out += bytes.substr(from);
}

}  // namespace

TelnetLine::TelnetLine(End end) : end_(end) {}

void TelnetLine::Offer() {
  for (const std::uint8_t option : {kBinary, kSuppressGoAhead}) {
    we_offered_[option] = true;
    Send(kWill, option);
    we_asked_[option] = true;
    Send(kDo, option);
  }
  if (end_ == End::kClient) {
    we_offered_[kComPort] = true;
    Send(kWill, kComPort);
  } else {
    we_asked_[kComPort] = true;
    Send(kDo, kComPort);
  }
}

void TelnetLine::Send(std::uint8_t verb, std::uint8_t option) {
  output_ += static_cast<char>(kIac);
  output_ += static_cast<char>(verb);
  output_ += static_cast<char>(option);
}

void TelnetLine::SendData(ByteView bytes) { AppendDoubled(output_, bytes); }

void TelnetLine::SendCommand(Command command, ByteView value) {
  output_ += static_cast<char>(kIac);
  output_ += static_cast<char>(kSb);
  output_ += static_cast<char>(kComPort);
  output_ += static_cast<char>(command + (end_ == End::kServer ? kServerOffset : 0));
  AppendDoubled(output_, value);
  output_ += static_cast<char>(kIac);
  output_ += static_cast<char>(kSe);
}

void TelnetLine::SendCommand(Command command, std::uint8_t value) {
  const char one = static_cast<char>(value);
  SendCommand(command, ByteView(&one, 1));
}

void TelnetLine::SendBaud(std::uint32_t baud) {
  const char value[4] = {static_cast<char>(baud >> 24), static_cast<char>(baud >> 16),
                         static_cast<char>(baud >> 8), static_cast<char>(baud)};
  SendCommand(kBaud, ByteView(value, sizeof value));
}

void TelnetLine::Feed(ByteView raw, std::vector<Item>& items) {
  const auto data = [&items](ByteView bytes) {
    if (bytes.empty()) return;
    if (items.empty() || items.back().kind != Item::Kind::kData) items.emplace_back();
    items.back().bytes += bytes;
  };
  std::size_t i = 0;
  while (i < raw.size()) {
    const auto byte = static_cast<std::uint8_t>(raw[i]);
    switch (state_) {
      case State::kData: {
        const std::size_t iac = raw.find('\xff', i);
        data(raw.substr(i, iac == ByteView::npos ? ByteView::npos : iac - i));
        if (iac == ByteView::npos) return;
        i = iac;
        state_ = State::kIac;
        break;
      }
      case State::kIac:
        state_ = State::kData;
        if (byte == kIac) {
          data(raw.substr(i, 1));
        } else if (byte >= kWill && byte <= kDont) {
          verb_ = byte;
          state_ = State::kOption;
        } else if (byte == kSb) {
          sub_.clear();
          sub_too_long_ = false;
          state_ = State::kSub;
        }  // the others (are you there, break of the NVT, ...) say nothing to a serial line
        break;
      case State::kOption:
        state_ = State::kData;
        TakeOption(verb_, byte, items);
        break;
      case State::kSub:
        if (byte == kIac)
          state_ = State::kSubIac;
        else if (sub_.size() < kLongestSub)
          sub_ += raw[i];
        else
          sub_too_long_ = true;
        break;
      case State::kSubIac:
        state_ = State::kSub;
        if (byte == kIac) {
          if (sub_.size() < kLongestSub)
            sub_ += raw[i];
          else
            sub_too_long_ = true;
        } else {
          state_ = State::kData;
          if (byte == kSe && !sub_too_long_) TakeSub(items);
        }
        break;
    }
    ++i;
  }
}

void TelnetLine::TakeOption(std::uint8_t verb, std::uint8_t option, std::vector<Item>& items) {
  const bool wanted = option == kBinary || option == kSuppressGoAhead || option == kComPort;
  const auto tell = [&](bool yes) {
    if (option != kComPort || told_) return;
    told_ = true;
    agreed_ = yes;
    items.push_back({yes ? Item::Kind::kAgreed : Item::Kind::kRefused, {}, kSignature});
  };
  // An answer to what we offered or asked for is not answered again (RFC 854, page 2).
  switch (verb) {
    case kDo:
      // The client does COM-PORT, the server has it done.
      if (!wanted || (option == kComPort && end_ == End::kServer)) {
        Send(kWont, option);
        return;
      }
      if (!we_do_[option] && !we_offered_[option]) Send(kWill, option);
      we_do_[option] = true;
      if (end_ == End::kClient) tell(true);
      return;
    case kDont:
      if (we_do_[option] && !we_offered_[option]) Send(kWont, option);
      we_do_[option] = false;
      if (end_ == End::kClient) tell(false);
      return;
    case kWill:
      if (!wanted || (option == kComPort && end_ == End::kClient)) {
        Send(kDont, option);
        return;
      }
      if (!peer_does_[option] && !we_asked_[option]) Send(kDo, option);
      peer_does_[option] = true;
      if (end_ == End::kServer) tell(true);
      return;
    default:  // kWont
      if (peer_does_[option] && !we_asked_[option]) Send(kDont, option);
      peer_does_[option] = false;
      if (end_ == End::kServer) tell(false);
      return;
  }
}

void TelnetLine::TakeSub(std::vector<Item>& items) {
  if (sub_.size() < 2 || static_cast<std::uint8_t>(sub_[0]) != kComPort) return;
  int command = static_cast<std::uint8_t>(sub_[1]);
  if (end_ == End::kClient) command -= kServerOffset;
  if (command < kSignature || command > kPurge) return;
  items.push_back({Item::Kind::kCommand, sub_.substr(2), static_cast<Command>(command)});
}

std::uint8_t TelnetParity(Parity parity) {
  switch (parity) {
    case Parity::kNone:
      return 1;
    case Parity::kOdd:
      return 2;
    case Parity::kEven:
      return 3;
    case Parity::kMark:
      return 4;
    case Parity::kSpace:
      return 5;
  }
  return 1;
}

std::optional<Parity> ParityOfTelnet(std::uint8_t value) {
  switch (value) {
    case 1:
      return Parity::kNone;
    case 2:
      return Parity::kOdd;
    case 3:
      return Parity::kEven;
    case 4:
      return Parity::kMark;
    case 5:
      return Parity::kSpace;
    default:
      return std::nullopt;
  }
}

std::uint8_t TelnetStopBits(StopBits bits) { return bits == StopBits::kOne ? 1 : 2; }

std::optional<StopBits> StopBitsOfTelnet(std::uint8_t value) {
  if (value == 1) return StopBits::kOne;
  if (value == 2) return StopBits::kTwo;
  return std::nullopt;
}

std::uint32_t BaudOfTelnet(ByteView value) {
  if (value.size() != 4) return 0;
  std::uint32_t out = 0;
  for (const char c : value) out = out << 8 | static_cast<std::uint8_t>(c);
  return out;
}

}  // namespace witness
