#include "tests/line_bench/emulated_adapter.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <fstream>

namespace witness::line_bench {
namespace {

// usbip_protocol.rst
constexpr std::uint32_t kSubmit = 1;
constexpr std::uint32_t kUnlink = 2;
constexpr std::uint32_t kSubmitReply = 3;
constexpr std::uint32_t kUnlinkReply = 4;
constexpr std::size_t kHeaderWords = 12;
constexpr int kFullSpeed = 2;               // USB_SPEED_FULL of linux/usb/ch9.h
constexpr std::size_t kPacketPayload = 62;  // 64 less the two status bytes

// ftdi_sio.h
constexpr std::uint8_t kRequestModemControl = 1;
constexpr std::uint8_t kRequestBaud = 3;
constexpr std::uint8_t kRequestData = 4;
constexpr std::uint8_t kRequestModemStatus = 5;
constexpr std::uint8_t kRequestSetLatency = 9;
constexpr std::uint8_t kRequestGetLatency = 10;

bool WriteAll(int socket, const void* data, std::size_t size) {
  const char* at = static_cast<const char*>(data);
  while (size > 0) {
    const ssize_t n = send(socket, at, size, MSG_NOSIGNAL);
    if (n <= 0) return false;
    at += n;
    size -= static_cast<std::size_t>(n);
  }
  return true;
}

bool ReadAll(int socket, void* data, std::size_t size) {
  char* at = static_cast<char*>(data);
  while (size > 0) {
    const ssize_t n = read(socket, at, size);
    if (n <= 0) return false;
    at += n;
    size -= static_cast<std::size_t>(n);
  }
  return true;
}

// The rate for a divisor of an FT232BM and later: 3 MHz / (integer + eighths), with the two special
// values 0 (3 Mbaud) and 1 (2 Mbaud).
std::uint32_t RateOfDivisor(std::uint16_t value, std::uint16_t index) {
  static constexpr std::array<std::uint32_t, 8> kEighths = {0, 4, 2, 1, 3, 5, 6, 7};
  const std::uint32_t divisor = value | (static_cast<std::uint32_t>(index & 1) << 16);
  if (divisor == 0) return 3'000'000;
  if (divisor == 1) return 2'000'000;
  const std::uint32_t eighths = (divisor & 0x3fff) * 8 + kEighths[(divisor >> 14) & 7];
  return (24'000'000 + eighths / 2) / eighths;
}

std::string Utf16(const std::string& text) {
  std::string out;
  for (const char c : text) {
    out += c;
    out += '\0';
  }
  return out;
}

template <std::size_t n>
std::string Raw(const std::uint8_t (&bytes)[n]) {
  return std::string(reinterpret_cast<const char*>(bytes), n);
}

}  // namespace

EmulatedAdapter::EmulatedAdapter(std::string serial_number, int slot)
    : serial_number_(std::move(serial_number)), slot_(slot) {}

EmulatedAdapter::~EmulatedAdapter() { Unplug(); }

bool EmulatedAdapter::Plug() {
  Unplug();
  int ends[2];
  if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) return false;
  {
    const std::lock_guard lock(mutex_);
    socket_ = ends[0];
    waiting_in_.clear();
    held_out_.clear();
    packets_.clear();
  }
  thread_ = std::thread([this, socket = ends[0]] { Serve(socket); });
  const std::string line = std::to_string(slot_) + " " + std::to_string(ends[1]) + " " +
                           std::to_string(0x10000 + slot_ + 2) + " " + std::to_string(kFullSpeed);
  // The kernel frees a slot some time after an unplug.
  bool attached = false;
  for (int tries = 0; tries < 200 && !attached; ++tries) {
    const int fd = open("/sys/devices/platform/vhci_hcd.0/attach", O_WRONLY | O_CLOEXEC);
    attached = fd >= 0 && write(fd, line.data(), line.size()) > 0;
    if (fd >= 0) close(fd);
    if (!attached) std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  close(ends[1]);
  if (!attached) Unplug();
  return attached;
}

void EmulatedAdapter::Unplug() {
  if (!thread_.joinable()) return;
  shutdown(socket_, SHUT_RDWR);
  thread_.join();
  close(socket_);
  socket_ = -1;
}

void EmulatedAdapter::Deliver(std::string_view bytes, std::uint8_t fault) {
  const std::lock_guard lock(mutex_);
  // A fault belongs to every byte of a packet: then one byte a packet.
  const std::size_t piece = fault == 0 ? kPacketPayload : 1;
  for (std::size_t at = 0; at < bytes.size(); at += piece) {
    std::string packet;
    packet += static_cast<char>(inputs_ | 0x01);
    packet += static_cast<char>(0x60 | fault);
    packet += bytes.substr(at, piece);
    packets_.push_back(std::move(packet));
  }
  Pump();
}

bool EmulatedAdapter::DeliverAndWait(std::string_view bytes, int within_ms) {
  Deliver(bytes);
  std::unique_lock lock(mutex_);
  return changed_.wait_for(lock, std::chrono::milliseconds(within_ms),
                           [this] { return packets_.empty(); });
}

void EmulatedAdapter::DeliverBreak() { Deliver(std::string_view("\0", 1), kBreakFault); }

void EmulatedAdapter::SetInputs(std::uint8_t asserted) {
  const std::lock_guard lock(mutex_);
  inputs_ = asserted;
  QueueStatus();
  Pump();
}

void EmulatedAdapter::QueueStatus() {
  std::string packet;
  packet += static_cast<char>(inputs_ | 0x01);
  packet += '\x60';
  packets_.push_back(std::move(packet));
}

void EmulatedAdapter::HoldWrites(bool hold) {
  const std::lock_guard lock(mutex_);
  hold_writes_ = hold;
  if (hold) return;
  for (const Pending& out : held_out_) Reply(kSubmitReply, out.sequence, 0, {}, out.length, false);
  held_out_.clear();
}

EmulatedAdapter::State EmulatedAdapter::state() {
  const std::lock_guard lock(mutex_);
  return state_;
}

void EmulatedAdapter::ClearWritten() {
  const std::lock_guard lock(mutex_);
  state_.written.clear();
}

bool EmulatedAdapter::WaitFor(const std::function<bool(const State&)>& done, int within_ms) {
  std::unique_lock lock(mutex_);
  return changed_.wait_for(lock, std::chrono::milliseconds(within_ms),
                           [&] { return done(state_); });
}

void EmulatedAdapter::Serve(int socket) {
  std::uint32_t header[kHeaderWords];
  std::string payload;
  while (ReadAll(socket, header, sizeof header)) {
    const std::uint32_t command = ntohl(header[0]);
    const std::uint32_t sequence = ntohl(header[1]);
    const bool in = ntohl(header[3]) == 1;
    const std::uint32_t endpoint = ntohl(header[4]);
    if (command == kUnlink) {
      const std::uint32_t which = ntohl(header[5]);
      const std::lock_guard lock(mutex_);
      const auto same = [which](const Pending& p) { return p.sequence == which; };
      const std::size_t dropped = std::erase_if(waiting_in_, same) + std::erase_if(held_out_, same);
      Reply(kUnlinkReply, sequence, dropped > 0 ? -ECONNRESET : 0, {}, 0, false);
      continue;
    }
    if (command != kSubmit) break;
    const std::uint32_t length = ntohl(header[6]);
    if (length > 1'000'000) break;
    payload.resize(in ? 0 : length);
    if (!in && length > 0 && !ReadAll(socket, payload.data(), length)) break;
    if (endpoint == 0) {
      Control(sequence, in, length, reinterpret_cast<const std::uint8_t*>(&header[10]));
    } else if (in) {
      const std::lock_guard lock(mutex_);
      waiting_in_.push_back({sequence, length});
      Pump();
    } else {
      {
        const std::lock_guard lock(mutex_);
        if (hold_writes_) {
          held_out_.push_back({sequence, length});
          continue;
        }
        state_.written += payload;
        Reply(kSubmitReply, sequence, 0, {}, length, false);
      }
      changed_.notify_all();
      if (on_written) on_written(payload);
    }
  }
}

void EmulatedAdapter::Control(std::uint32_t sequence, bool in, std::uint32_t length,
                              const std::uint8_t* setup) {
  std::string answer;
  std::int32_t status = 0;
  {
    const std::lock_guard lock(mutex_);
    if (setup[0] == 0x80 && setup[1] == 6) {  // GET_DESCRIPTOR
      answer = Descriptor(setup[3], setup[2]);
      if (answer.empty()) status = -EPIPE;
    } else if (setup[0] == 0x80) {  // GET_STATUS
      answer.assign(2, '\0');
    } else if (setup[0] == 0xc0 && setup[1] == kRequestModemStatus) {
      answer += static_cast<char>(inputs_ | 0x01);
      answer += held_out_.empty() ? '\x60' : '\x00';
    } else if (setup[0] == 0xc0 && setup[1] == kRequestGetLatency) {
      answer += static_cast<char>(state_.latency_ms);
    } else if (setup[0] == 0xc0) {  // memory of the chip: empty
      answer = "\xff\xff";
    } else if (setup[0] == 0x40) {
      VendorWrite(setup);
    }
    if (answer.size() > length) answer.resize(length);
    const std::uint32_t actual = in ? static_cast<std::uint32_t>(answer.size()) : length;
    Reply(kSubmitReply, sequence, status, answer, status == 0 ? actual : 0, in);
  }
  changed_.notify_all();
}

void EmulatedAdapter::VendorWrite(const std::uint8_t* setup) {
  const auto value = static_cast<std::uint16_t>(setup[2] | setup[3] << 8);
  const auto index = static_cast<std::uint16_t>(setup[4] | setup[5] << 8);
  switch (setup[1]) {
    case kRequestModemControl:  // high byte: which lines, low byte: their levels
      if (value & 0x0100) {
        const bool dtr = (value & 1) != 0;
        if (dtr != state_.dtr) ++state_.dtr_edges;
        state_.dtr = dtr;
      }
      if (value & 0x0200) state_.rts = (value & 2) != 0;
      ++state_.line_requests;
      QueueStatus();  // a real chip reports its inputs every few milliseconds
      Pump();
      break;
    case kRequestBaud:
      state_.baud = RateOfDivisor(value, index);
      break;
    case kRequestData: {
      state_.data_bits = value & 0xff;
      state_.parity = (value >> 8) & 7;
      state_.stop_bits = (value >> 11) & 3;
      const bool on = (value & 0x4000) != 0;
      if (on && !state_.break_on) ++state_.breaks;
      state_.break_on = on;
      break;
    }
    case kRequestSetLatency:
      state_.latency_ms = value & 0xff;
      state_.latencies.push_back(value & 0xff);
      break;
    default:
      break;
  }
}

void EmulatedAdapter::Reply(std::uint32_t command, std::uint32_t sequence, std::int32_t status,
                            std::string_view data, std::uint32_t actual, bool with_data) {
  std::uint32_t header[kHeaderWords] = {};
  header[0] = htonl(command);
  header[1] = htonl(sequence);
  header[5] = htonl(static_cast<std::uint32_t>(status));
  header[6] = htonl(actual);
  std::string message(reinterpret_cast<const char*>(header), sizeof header);
  if (with_data && status == 0) message += data;
  WriteAll(socket_, message.data(), message.size());
}

void EmulatedAdapter::Pump() {
  while (!waiting_in_.empty() && !packets_.empty()) {
    const Pending in = waiting_in_.front();
    waiting_in_.pop_front();
    // Full packets may share one transfer; a short one ends it (USB 2.0, 5.8.3).
    std::string data = std::move(packets_.front());
    packets_.pop_front();
    while (!packets_.empty() && data.size() % 64 == 0 &&
           data.size() + packets_.front().size() <= in.length) {
      data += packets_.front();
      packets_.pop_front();
    }
    Reply(kSubmitReply, in.sequence, 0, data, static_cast<std::uint32_t>(data.size()), true);
  }
  if (packets_.empty()) changed_.notify_all();
}

std::string EmulatedAdapter::Descriptor(int type, int index) const {
  // USB 2.0, 9.6. The device release 6.00 makes ftdi_sio take it for an FT232R.
  static constexpr std::uint8_t kDevice[] = {18,   1,    0,    2, 0, 0, 0, 64, 0x03,
                                             0x04, 0x01, 0x60, 0, 6, 1, 2, 3,  1};
  static constexpr std::uint8_t kConfiguration[] = {
      9, 2, 32,   0, 1,  1,   0,   0xa0, 45,                      // configuration
      9, 4, 0,    0, 2,  255, 255, 255,  2,                       // interface
      7, 5, 0x81, 2, 64, 0,   0,   7,    5,  0x02, 2, 64, 0, 0};  // bulk in, bulk out
  if (type == 1) return Raw(kDevice);
  if (type == 2) return Raw(kConfiguration);
  if (type != 3) return {};
  static const char* const kNames[] = {"", "Line Bench", "Bench UART"};
  std::string text;
  if (index == 0) {
    text = "\x09\x04";  // English (USB language identifiers)
  } else if (index == 3) {
    text = Utf16(serial_number_);
  } else if (index == 1 || index == 2) {
    text = Utf16(kNames[index]);
  } else {
    return {};
  }
  std::string out;
  out += static_cast<char>(text.size() + 2);
  out += '\x03';
  return out + text;
}

std::string WaitForNode(const std::string& serial_number) {
  namespace fs = std::filesystem;
  for (int tries = 0; tries < 1000; ++tries) {
    std::error_code none;
    for (const fs::directory_entry& entry : fs::directory_iterator("/sys/class/tty", none)) {
      const std::string name = entry.path().filename().string();
      if (name.rfind("ttyUSB", 0) != 0) continue;
      // tty -> usb-serial port -> interface -> device
      std::ifstream file(fs::canonical(entry.path() / "device", none) / "../../serial");
      std::string serial;
      std::getline(file, serial);
      if (serial == serial_number && fs::exists("/dev/" + name, none)) return "/dev/" + name;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }
  return {};
}

bool WaitUntilGone(const std::string& path, int within_ms) {
  for (int waited = 0; waited < within_ms; ++waited) {
    if (access(path.c_str(), F_OK) != 0) return true;
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  return false;
}

}  // namespace witness::line_bench
