// A serial port over Telnet: the bytes of RFC 854 (Telnet), RFC 856 (binary) and RFC 2217 (line
// settings, modem lines, breaks), both ends of it. An engine: bytes in, items out, no I/O.
//
// Feeding one byte or many gives the same items. What must be sent (data, orders and answers to the
// peer's offers) is collected in order; the caller takes it with TakeOutput(). Binary both ways is
// offered; a peer that refuses gets bytes unchanged all the same, as is usual between serial
// servers (common practice, no source).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/line_settings.h"

namespace witness {

class TelnetLine {
 public:
  enum class End : std::uint8_t {
    kClient,  // we use a port that the peer has
    kServer,  // we have the port
  };

  // Commands of the COM-PORT option (RFC 2217, section 3). A server's answer has the same number
  // here, without the 100 that is added on the wire.
  enum Command : std::uint8_t {
    kSignature = 0,
    kBaud = 1,
    kDataSize = 2,
    kParity = 3,
    kStopSize = 4,
    kControl = 5,
    kLineState = 6,
    kModemState = 7,
    kSuspend = 8,
    kResume = 9,
    kLineStateMask = 10,
    kModemStateMask = 11,
    kPurge = 12,
  };
  // Values of kControl.
  enum ControlValue : std::uint8_t {
    kFlowAsk = 0,
    kFlowNone = 1,
    kFlowXonXoff = 2,
    kFlowRtsCts = 3,
    kBreakAsk = 4,
    kBreakOn = 5,
    kBreakOff = 6,
    kDtrAsk = 7,
    kDtrOn = 8,
    kDtrOff = 9,
    kRtsAsk = 10,
    kRtsOn = 11,
    kRtsOff = 12,
  };
  // Bits of kLineState and kModemState.
  enum StateBit : std::uint8_t {
    kLineOverrun = 2,
    kLineParity = 4,
    kLineFraming = 8,
    kLineBreak = 16,
    kModemCts = 16,
    kModemDsr = 32,
    kModemRi = 64,
    kModemDcd = 128,
  };

  struct Item {
    enum class Kind : std::uint8_t {
      kData,     // `bytes`
      kCommand,  // `command` with `bytes` as its value
      kAgreed,   // the peer speaks the COM-PORT option
      kRefused,  // it does not
    };
    Kind kind = Kind::kData;
    Bytes bytes;
    Command command = kSignature;
  };

  explicit TelnetLine(End end);

  // Puts our offers into the output. Once.
  void Offer();

  // Items are appended; data next to each other is joined.
  void Feed(ByteView raw, std::vector<Item>& items);

  void SendData(ByteView bytes);
  void SendCommand(Command command, ByteView value);
  void SendCommand(Command command, std::uint8_t value);
  void SendBaud(std::uint32_t baud);

  // What is to be sent, oldest first. The caller erases what it has sent.
  Bytes& output() { return output_; }

  // Whether the peer has agreed to the COM-PORT option.
  bool agreed() const { return agreed_; }

 private:
  enum class State : std::uint8_t { kData, kIac, kOption, kSub, kSubIac };

  void TakeOption(std::uint8_t verb, std::uint8_t option, std::vector<Item>& items);
  void TakeSub(std::vector<Item>& items);
  void Send(std::uint8_t verb, std::uint8_t option);

  const End end_;
  State state_ = State::kData;
  std::uint8_t verb_ = 0;
  Bytes sub_;
  bool sub_too_long_ = false;
  bool agreed_ = false;
  bool told_ = false;  // kAgreed or kRefused was delivered
  // Options that we do (will) and that the peer does (does), by number; asked: we offered.
  bool we_do_[256] = {};
  bool we_offered_[256] = {};
  bool peer_does_[256] = {};
  bool we_asked_[256] = {};
  Bytes output_;
};

// Values of RFC 2217 for parity and stop bits, and back; nullopt for values that we have no word
// for (0 asks, 1.5 stop bits).
std::uint8_t TelnetParity(Parity parity);
std::optional<Parity> ParityOfTelnet(std::uint8_t value);
std::uint8_t TelnetStopBits(StopBits bits);
std::optional<StopBits> StopBitsOfTelnet(std::uint8_t value);
std::uint32_t BaudOfTelnet(ByteView value);  // 0 if not 4 bytes

}  // namespace witness
