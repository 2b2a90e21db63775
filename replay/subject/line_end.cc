#include "replay/subject/line_end.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

#include "capture/line/pty.h"

namespace trial {
namespace {

using witness::ByteView;
using witness::Code;
using witness::Duration;
using witness::LineSettings;
using witness::ModemLines;
using witness::ReadOutcome;
using witness::ReadResult;
using witness::Result;
using witness::Status;

// A connected socket as a port. Closes it.
class SocketPort : public witness::Port {
 public:
  SocketPort(int descriptor, std::string name) : descriptor_(descriptor), name_(std::move(name)) {}
  ~SocketPort() override { Close().Ignore(); }
  SocketPort(const SocketPort&) = delete;
  SocketPort& operator=(const SocketPort&) = delete;

  std::string name() const override { return name_; }
  Result<LineSettings> Configure(const LineSettings& settings) override {
    LineSettings got = settings;
    got.baud = 0;
    return got;
  }
  ReadResult Read(std::span<char> buffer) override {
    ReadResult result;
    const ssize_t n = recv(descriptor_, buffer.data(), buffer.size(), MSG_DONTWAIT);
    if (n > 0) {
      result.outcome = ReadOutcome::kBytes;
      result.size = static_cast<std::size_t>(n);
    } else if (n == 0) {
      result.outcome = ReadOutcome::kFinished;
    } else if (errno == EAGAIN || errno == EINTR) {
      result.outcome = ReadOutcome::kNothingYet;
    } else {
      result.outcome = errno == ECONNRESET ? ReadOutcome::kGone : ReadOutcome::kFailed;
      result.status = Status(result.outcome == ReadOutcome::kGone ? Code::kDisconnected : Code::kIo,
                             name_ + ": cannot read: " + std::strerror(errno));
    }
    return result;
  }
  Result<std::size_t> Write(ByteView bytes) override {
    const ssize_t n = send(descriptor_, bytes.data(), bytes.size(), MSG_DONTWAIT | MSG_NOSIGNAL);
    if (n >= 0) return static_cast<std::size_t>(n);
    if (errno == EAGAIN || errno == EINTR) return std::size_t{0};
    return Status(errno == EPIPE || errno == ECONNRESET ? Code::kDisconnected : Code::kIo,
                  name_ + ": cannot write: " + std::strerror(errno));
  }
  Result<ModemLines> Lines() override { return None("modem lines"); }
  Status SetLines(std::uint32_t, std::uint32_t) override { return None("modem lines"); }
  Status SendBreak(Duration) override { return None("break"); }
  int poll_handle() const override { return descriptor_; }
  Status Close() override {
    if (descriptor_ >= 0) close(descriptor_);
    descriptor_ = -1;
    return witness::OkStatus();
  }

 private:
  Status None(const char* what) const {
    return {Code::kUnsupported, name_ + ": there is no " + what + " here"};
  }
  int descriptor_;
  std::string name_;
};

class PtyEnd : public LineEnd {
 public:
  explicit PtyEnd(std::unique_ptr<witness::PtyPort> pty) : pty_(std::move(pty)) {}
  std::string name() const override { return pty_->device(); }
  witness::Port* port() override { return pty_.get(); }
  std::size_t unread() const override { return pty_->UnreadBytes(); }

 private:
  std::unique_ptr<witness::PtyPort> pty_;
};

class StreamsEnd : public LineEnd {
 public:
  StreamsEnd(int ours, int childs) : port_(ours, "standard streams"), childs_(childs) {}
  ~StreamsEnd() override { close(childs_); }
  StreamsEnd(const StreamsEnd&) = delete;
  StreamsEnd& operator=(const StreamsEnd&) = delete;
  std::string name() const override { return ""; }
  int child_end() const override { return childs_; }
  witness::Port* port() override { return &port_; }
  std::size_t unread() const override {
    int waiting = 0;
    return ioctl(childs_, FIONREAD, &waiting) == 0 && waiting > 0
               ? static_cast<std::size_t>(waiting)
               : 0;
  }

 private:
  SocketPort port_;
  int childs_;
};

class TcpEnd : public LineEnd {
 public:
  TcpEnd(int listening, std::string name) : listening_(listening), name_(std::move(name)) {}
  ~TcpEnd() override {
    if (listening_ >= 0) close(listening_);
  }
  TcpEnd(const TcpEnd&) = delete;
  TcpEnd& operator=(const TcpEnd&) = delete;
  std::string name() const override { return name_; }
  int connect_handle() const override { return port_ ? -1 : listening_; }
  Status Accept() override {
    const int descriptor = accept4(listening_, nullptr, nullptr, SOCK_CLOEXEC);
    if (descriptor < 0) return {Code::kIo, name_ + ": cannot accept: " + std::strerror(errno)};
    const int one = 1;  // small pieces are to leave at once
    setsockopt(descriptor, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    port_ = std::make_unique<SocketPort>(descriptor, name_);
    return witness::OkStatus();
  }
  witness::Port* port() override { return port_.get(); }
  std::size_t unread() const override { return 0; }  // cannot be told

 private:
  int listening_;
  std::string name_;
  std::unique_ptr<SocketPort> port_;
};

}  // namespace

Result<std::unique_ptr<LineEnd>> LineEnd::Create(Link link, const LineSettings& line) {
  if (link == Link::kStandardStreams) {
    int pair[2];
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) != 0)
      return Status(Code::kIo, std::string("cannot make a socket pair: ") + std::strerror(errno));
    return std::unique_ptr<LineEnd>(new StreamsEnd(pair[0], pair[1]));
  }
  if (link == Link::kTcp) {
    const int descriptor = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_in address = {};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof address;
    if (descriptor < 0 || bind(descriptor, reinterpret_cast<sockaddr*>(&address), size) != 0 ||
        listen(descriptor, 1) != 0 ||
        getsockname(descriptor, reinterpret_cast<sockaddr*>(&address), &size) != 0) {
      const int error = errno;
      if (descriptor >= 0) close(descriptor);
      return Status(Code::kIo, std::string("cannot listen on loopback: ") + std::strerror(error));
    }
    return std::unique_ptr<LineEnd>(
        new TcpEnd(descriptor, "127.0.0.1:" + std::to_string(ntohs(address.sin_port))));
  }
  auto pty = witness::PtyPort::Create();
  if (!pty.ok()) return pty.status();
  if (line.baud != 0) (void)(*pty)->Configure(line);  // a pty's rate is only a number
  return std::unique_ptr<LineEnd>(new PtyEnd(std::move(*pty)));
}

}  // namespace trial
