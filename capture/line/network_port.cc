#include "capture/line/network_port.h"

#include <poll.h>
#include <sys/socket.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "capture/line/rfc2217_port.h"
#include "capture/line/tcp.h"

namespace witness {
namespace {

constexpr std::string_view kTcp = "tcp://";
constexpr Duration kConnectLimit = Duration::Seconds(5);

Status NoLines(const std::string& name, const char* what) {
  return Status(Code::kUnsupported, name + ": a TCP connection has no " + what);
}

class TcpPort : public Port {
 public:
  TcpPort(Socket socket, std::string name) : socket_(std::move(socket)), name_(std::move(name)) {}

  std::string name() const override { return name_; }
  Result<LineSettings> Configure(const LineSettings& settings) override {
    LineSettings got = settings;
    got.baud = 0;
    return got;
  }
  ReadResult Read(std::span<char> buffer) override {
    return ReceiveFrom(socket_.get(), buffer, name_);
  }
  Result<std::size_t> Write(ByteView bytes) override { return SendTo(socket_.get(), bytes, name_); }
  Result<ModemLines> Lines() override { return NoLines(name_, "modem lines"); }
  Status SetLines(std::uint32_t, std::uint32_t) override { return NoLines(name_, "modem lines"); }
  Status SendBreak(Duration) override { return NoLines(name_, "breaks"); }
  int poll_handle() const override { return socket_.get(); }
  Status Close() override {
    socket_.Close();
    return OkStatus();
  }

 private:
  Socket socket_;
  std::string name_;
};

// The listener's handle while nobody is there, then the client's.
class Listening : public ListeningPort {
 public:
  Listening(Socket listener, std::string address, bool serial)
      : listener_(std::move(listener)),
        address_((serial ? std::string(kRfc2217Scheme) : std::string()) + address),
        serial_(serial),
        outside_(!IsLoopback(listener_.get())) {}

  const std::string& address() const override { return address_; }
  bool reachable_from_outside() const override { return outside_; }
  std::string name() const override { return address_; }

  Result<LineSettings> Configure(const LineSettings& settings) override {
    ShowSettings(settings);
    LineSettings got = settings;
    if (!serial_) got.baud = 0;
    return got;
  }

  ReadResult Read(std::span<char> buffer) override {
    if (!client_.open() && server_ == nullptr) return Accept();
    ReadResult got = server_ ? server_->Read(buffer) : ReceiveFrom(client_.get(), buffer, address_);
    if (got.outcome == ReadOutcome::kBytes || got.outcome == ReadOutcome::kNothingYet) return got;
    server_.reset();
    client_.Close();
    ReadResult out;
    out.outcome = ReadOutcome::kBytes;
    out.note = "client " + who_ + " left";
    return out;
  }

  Result<std::size_t> Write(ByteView bytes) override {
    Result<std::size_t> sent = bytes.size();
    if (server_)
      sent = server_->Write(bytes);
    else if (client_.open())
      sent = SendTo(client_.get(), bytes, address_);
    // That the client is gone is told by the next read; a lost client takes nothing.
    return sent.ok() ? *sent : bytes.size();
  }
  std::size_t Unsent() const override { return server_ ? server_->Unsent() : 0; }
  Status SendUnsent() override {
    if (server_) server_->SendUnsent().Ignore();
    return OkStatus();
  }

  Result<ModemLines> Lines() override { return NoLines(address_, "modem lines of its own"); }
  Status SetLines(std::uint32_t, std::uint32_t) override {
    return NoLines(address_, "modem lines of its own");
  }
  Status SendBreak(Duration) override { return SetBreak(true); }
  Status SetBreak(bool on) override { return server_ ? server_->SetBreak(on) : OkStatus(); }
  void ShowSettings(const LineSettings& got) override {
    settings_ = got;
    if (server_) server_->ShowSettings(got);
  }
  void ShowLines(std::uint32_t asserted, std::uint32_t changed) override {
    lines_ = asserted;
    if (server_) server_->ShowLines(asserted, changed);
  }

  int poll_handle() const override {
    if (server_) return server_->poll_handle();
    return client_.open() ? client_.get() : listener_.get();
  }

  Status Close() override {
    server_.reset();
    client_.Close();
    listener_.Close();
    return OkStatus();
  }

 private:
  ReadResult Accept() {
    ReadResult out;
    Result<Socket> came = AcceptFrom(listener_.get(), who_);
    if (!came.ok()) {
      out.outcome = ReadOutcome::kFailed;
      out.status = came.status();
      return out;
    }
    if (!came->open()) return out;
    if (serial_) {
      server_ = ServeRfc2217(came->Release(), address_);
      server_->ShowSettings(settings_);
      server_->ShowLines(lines_, 0);
    } else {
      client_ = std::move(*came);
    }
    out.outcome = ReadOutcome::kBytes;
    out.note = "client " + who_ + " connected";
    return out;
  }

  Socket listener_;
  std::string address_;
  bool serial_;
  bool outside_;
  Socket client_;
  std::unique_ptr<Port> server_;
  std::string who_;
  LineSettings settings_;
  std::uint32_t lines_ = 0;
};

}  // namespace

ReadResult ReceiveFrom(int socket, std::span<char> buffer, const std::string& name) {
  ReadResult out;
  for (;;) {
    const ssize_t n = recv(socket, buffer.data(), buffer.size(), 0);
    if (n > 0) {
      out.outcome = ReadOutcome::kBytes;
      out.size = static_cast<std::size_t>(n);
      return out;
    }
    if (n == 0) {
      out.outcome = ReadOutcome::kFinished;
      return out;
    }
    if (errno == EINTR) continue;
    if (errno == EAGAIN || errno == EWOULDBLOCK) return out;
    out.outcome = ReadOutcome::kGone;
    out.status =
        Status(Code::kDisconnected, name + ": the connection broke: " + std::strerror(errno));
    return out;
  }
}

Result<std::size_t> SendTo(int socket, ByteView bytes, const std::string& name) {
  if (bytes.empty()) return std::size_t{0};
  for (;;) {
    const ssize_t n = send(socket, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    if (n >= 0) return static_cast<std::size_t>(n);
    if (errno == EINTR) continue;
    if (errno == EAGAIN || errno == EWOULDBLOCK) return std::size_t{0};
    return Status(Code::kDisconnected, name + ": the connection broke: " + std::strerror(errno));
  }
}

bool IsNetworkName(const std::string& name) {
  return name.starts_with(kTcp) || name.starts_with(kRfc2217Scheme);
}

Result<std::unique_ptr<Port>> ConnectPort(const std::string& name) {
  const bool serial = name.starts_with(kRfc2217Scheme);
  const Result<NetworkAddress> address =
      ParseAddress(name.substr(serial ? kRfc2217Scheme.size() : kTcp.size()), false);
  if (!address.ok()) return address.status();
  Result<Socket> socket = ConnectTo(*address, kConnectLimit);
  if (!socket.ok()) return socket.status();
  if (serial) return UseRfc2217(socket->Release(), name);
  return std::unique_ptr<Port>(std::make_unique<TcpPort>(std::move(*socket), name));
}

Result<std::unique_ptr<ListeningPort>> ListeningPort::Create(const std::string& where) {
  const bool serial = where.starts_with(kRfc2217Scheme);
  const Result<NetworkAddress> address =
      ParseAddress(serial ? where.substr(kRfc2217Scheme.size()) : where, true);
  if (!address.ok()) return address.status();
  std::string bound;
  Result<Socket> listener = ListenAt(*address, bound);
  if (!listener.ok()) return listener.status();
  return std::unique_ptr<ListeningPort>(
      std::make_unique<Listening>(std::move(*listener), bound, serial));
}

}  // namespace witness
