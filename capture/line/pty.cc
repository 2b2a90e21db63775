#include "capture/line/pty.h"

#include <fcntl.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <cerrno>
#include <climits>
#include <cstdlib>
#include <cstring>
#include <utility>

#include "capture/line/posix_line.h"

namespace witness {
namespace {

Status Unsupported(const std::string& name, const char* what) {
  return Status(Code::kUnsupported, name + ": a pty has no " + what);
}

// Where a symbolic link leads; empty if it is none.
std::string LeadsTo(const std::string& link) {
  char target[PATH_MAX];
  const ssize_t n = readlink(link.c_str(), target, sizeof target);
  return n < 0 ? std::string() : std::string(target, static_cast<std::size_t>(n));
}

// Makes `link` point at `target`. Only a symbolic link that leads nowhere is replaced, as a program
// that was killed leaves one; or there may be a new pty of the old number behind it.
Status MakeLink(const std::string& link, const std::string& target) {
  struct stat there = {};
  if (lstat(link.c_str(), &there) == 0) {
    const std::string before = LeadsTo(link);
    if (before == target) return OkStatus();
    struct stat behind = {};
    if (before.empty() || stat(link.c_str(), &behind) == 0) {
      std::string what = link + ": there is something of that name already; choose another";
      if (before.starts_with("/dev/pts/"))
        what += ", or remove it if it is left from an earlier run (it leads to " + before + ")";
      return Status(Code::kInvalidArgument, what);
    }
    unlink(link.c_str());
  }
  if (symlink(target.c_str(), link.c_str()) != 0)
    return Status(Code::kIo, link + ": cannot make the link: " + std::strerror(errno));
  return OkStatus();
}

// The program's side of a pty that somebody else made.
class PtySide : public Port {
 public:
  PtySide(int descriptor, std::string name) : descriptor_(descriptor), name_(std::move(name)) {}
  ~PtySide() override { Close().Ignore(); }
  PtySide(const PtySide&) = delete;
  PtySide& operator=(const PtySide&) = delete;

  std::string name() const override { return name_; }

  // The kernel keeps rate and stop bits of a pty as numbers and forces eight bits without parity.
  Result<LineSettings> Configure(const LineSettings& settings) override {
    if (settings.baud != 0 && !SetBaud(descriptor_, settings.baud))
      return Status(Code::kIo, name_ + ": cannot set " + std::to_string(settings.baud) + " baud");
    if (Status s = MakeRaw(descriptor_, name_); !s.ok()) return s;
    Result<LineSettings> got = ReadSettings(descriptor_, name_);
    if (got.ok() && settings.baud == 0) got->baud = 0;
    return got;
  }
  ReadResult Read(std::span<char> buffer) override {
    return ReadDescriptor(descriptor_, buffer, name_);
  }
  Result<std::size_t> Write(ByteView bytes) override {
    return WriteDescriptor(descriptor_, bytes, name_);
  }
  Result<ModemLines> Lines() override { return Unsupported(name_, "modem lines"); }
  Status SetLines(std::uint32_t, std::uint32_t) override {
    return Unsupported(name_, "modem lines");
  }
  Status SendBreak(Duration) override { return Unsupported(name_, "break"); }
  int poll_handle() const override { return descriptor_; }

  Status Close() override {
    if (descriptor_ < 0) return OkStatus();
    (void)ioctl(descriptor_, TIOCNXCL);
    const int result = close(descriptor_);
    descriptor_ = -1;
    if (result != 0) return Status(Code::kIo, name_ + ": cannot close: " + std::strerror(errno));
    return OkStatus();
  }

 private:
  int descriptor_;
  std::string name_;
};

}  // namespace

Result<std::unique_ptr<PtyPort>> PtyPort::Create(const std::string& link) {
  std::unique_ptr<PtyPort> port(new PtyPort());
  port->master_ = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  char device[PATH_MAX] = {};
  if (port->master_ < 0 || grantpt(port->master_) != 0 || unlockpt(port->master_) != 0 ||
      ptsname_r(port->master_, device, sizeof device) != 0)
    return Status(Code::kIo, std::string("cannot make a pty: ") + std::strerror(errno));
  port->device_ = device;
  port->program_side_ = port->device_;
  port->kept_ = open(device, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  if (port->kept_ < 0) return OpenError(port->device_, errno);
  if (Status s = MakeRaw(port->kept_, port->device_); !s.ok()) return s;
  if (!link.empty()) {
    if (Status s = MakeLink(link, port->device_); !s.ok()) return s;
    port->link_ = link;
    port->program_side_ = link;
  }
  return port;
}

PtyPort::~PtyPort() { Close().Ignore(); }

int PtyPort::ProgramsHolding() const { return CountHolders(device_); }

std::size_t PtyPort::UnreadBytes() const {
  int waiting = 0;
  return ioctl(kept_, FIONREAD, &waiting) == 0 && waiting > 0 ? static_cast<std::size_t>(waiting)
                                                              : 0;
}

Status PtyPort::DiscardUnread() {
  if (tcflush(kept_, TCIFLUSH) != 0)
    return Status(Code::kIo, name() + ": cannot discard: " + std::strerror(errno));
  return OkStatus();
}

Result<LineSettings> PtyPort::ProgramSettings() const { return ReadSettings(kept_, program_side_); }

Result<LineSettings> PtyPort::Configure(const LineSettings& settings) {
  if (settings.baud != 0 && !SetBaud(kept_, settings.baud))
    return Status(Code::kIo, name() + ": cannot set " + std::to_string(settings.baud) + " baud");
  Result<LineSettings> got = ReadSettings(kept_, program_side_);
  if (got.ok() && settings.baud == 0) got->baud = 0;
  return got;
}

ReadResult PtyPort::Read(std::span<char> buffer) {
  return ReadDescriptor(master_, buffer, program_side_);
}

Result<std::size_t> PtyPort::Write(ByteView bytes) {
  return WriteDescriptor(master_, bytes, program_side_);
}

Result<ModemLines> PtyPort::Lines() { return Unsupported(name(), "modem lines"); }
Status PtyPort::SetLines(std::uint32_t, std::uint32_t) {
  return Unsupported(name(), "modem lines");
}
Status PtyPort::SendBreak(Duration) { return Unsupported(name(), "break"); }

std::vector<LineRequest> PtyPort::TakeRequests() {
  const Result<LineSettings> now = ReadSettings(kept_, program_side_);
  if (!now.ok()) return {};
  const std::optional<LineSettings> before = std::exchange(seen_, *now);
  if (!before || *before == *now || now->baud == 0) return {};
  LineSettings wanted = shown_;
  if (now->baud != before->baud) wanted.baud = now->baud;
  if (now->stop_bits != before->stop_bits) wanted.stop_bits = now->stop_bits;
  if (now->flow != before->flow) wanted.flow = now->flow;
  if (wanted == shown_) return {};
  LineRequest request;
  request.settings = wanted;
  return {request};
}

Status PtyPort::Close() {
  Status status;
  if (!link_.empty()) {
    if (LeadsTo(link_) == device_) unlink(link_.c_str());
    link_.clear();
  }
  if (kept_ >= 0) close(kept_);
  kept_ = -1;
  if (master_ >= 0 && close(master_) != 0)
    status = Status(Code::kIo, program_side_ + ": cannot close: " + std::strerror(errno));
  master_ = -1;
  return status;
}

Result<std::unique_ptr<Port>> OpenPtySide(const std::string& path) {
  const int descriptor = open(path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor < 0) return OpenError(path, errno);
  auto port = std::make_unique<PtySide>(descriptor, path);
  if (Status s = TakeExclusively(descriptor, path); !s.ok()) return s;
  if (Status s = MakeRaw(descriptor, path); !s.ok()) return s;
  return std::unique_ptr<Port>(std::move(port));
}

}  // namespace witness
