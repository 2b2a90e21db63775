#include "capture/line/serial_port.h"

#include <fcntl.h>
#include <libserialport.h>
#include <linux/serial.h>
#include <linux/tty_flags.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "capture/line/interruptible.h"
#include "capture/line/line_watcher.h"
#include "capture/line/marked_bytes.h"
#include "capture/line/posix_line.h"

namespace witness {
namespace {

// LineBit of store/event.h, as it travels in ModemLines.
constexpr std::uint32_t kRtsBit = 1;
constexpr std::uint32_t kDtrBit = 4;

constexpr Duration kDrainLimit = Duration::Milliseconds(400);
constexpr Duration kCloseLimit = Duration::Milliseconds(200);

struct ConfigDeleter {
  void operator()(sp_port_config* config) const { sp_free_config(config); }
};

std::string LastError(sp_return code) {
  if (code == SP_ERR_SUPP) return "not supported by the driver";
  if (code == SP_ERR_ARG) return "not possible";
  const int error = sp_last_error_code();
  return error != 0 ? std::strerror(error) : "refused";
}

sp_parity ToLibrary(Parity parity) {
  switch (parity) {
    case Parity::kNone:
      return SP_PARITY_NONE;
    case Parity::kOdd:
      return SP_PARITY_ODD;
    case Parity::kEven:
      return SP_PARITY_EVEN;
    case Parity::kMark:
      return SP_PARITY_MARK;
    case Parity::kSpace:
      return SP_PARITY_SPACE;
  }
  return SP_PARITY_NONE;
}

// Closed with its owner.
class Descriptor {
 public:
  explicit Descriptor(int descriptor) : descriptor_(descriptor) {}
  ~Descriptor() {
    if (descriptor_ >= 0) close(descriptor_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return descriptor_; }

 private:
  int descriptor_;
};

class SerialPort : public Port {
 public:
  SerialPort(sp_port* port, std::string device, std::string name)
      : port_(port), device_(std::move(device)), name_(std::move(name)) {}
  ~SerialPort() override { Close().Ignore(); }
  SerialPort(const SerialPort&) = delete;
  SerialPort& operator=(const SerialPort&) = delete;

  Status Open(const OpenOptions& options, OpenReport& report) {
    hold_lines_ = options.hold_lines;
    // The library changes the settings that the close before left: look at them first.
    const Descriptor first(open(device_.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC));
    if (first.get() < 0) return OpenError(name_, errno);
    termios left = {};
    report.has_lines = true;
    report.lines_were_held = tcgetattr(first.get(), &left) == 0 && (left.c_cflag & HUPCL) == 0;
    const sp_return result = sp_open(port_, SP_MODE_READ_WRITE);
    if (result != SP_OK) {
      // TIOCEXCL of another program answers EBUSY here.
      return result == SP_ERR_FAIL
                 ? OpenError(name_, sp_last_error_code())
                 : Status(Code::kIo, name_ + ": cannot open: " + LastError(result));
    }
    open_ = true;
    if (sp_get_port_handle(port_, &handle_) != SP_OK)
      return Status(Code::kIo, name_ + ": the library gives no handle to wait on");
    // The library itself opens a port that is already open.
    if (Status s = TakeExclusively(handle_, name_); !s.ok()) return s;
    LineCounts from_here;
    Counts(from_here);
    if (options.low_latency) report.low_latency = AskLowLatency();
    return WaitForBytes();
  }

  std::string name() const override { return name_; }

  Result<LineSettings> Configure(const LineSettings& settings) override {
    sp_port_config* raw = nullptr;
    if (sp_new_config(&raw) != SP_OK)
      return Status(Code::kIo, name_ + ": out of memory for settings");
    const std::unique_ptr<sp_port_config, ConfigDeleter> config(raw);
    sp_set_config_bits(raw, settings.data_bits);
    sp_set_config_parity(raw, ToLibrary(settings.parity));
    sp_set_config_stopbits(raw, settings.stop_bits == StopBits::kOne ? 1 : 2);
    sp_set_config_flowcontrol(raw, settings.flow == FlowControl::kRtsCts    ? SP_FLOWCONTROL_RTSCTS
                                   : settings.flow == FlowControl::kXonXoff ? SP_FLOWCONTROL_XONXOFF
                                                                            : SP_FLOWCONTROL_NONE);
    if (const sp_return r = sp_set_config(port_, raw); r != SP_OK)
      return Status(Code::kIo,
                    name_ + ": cannot set " + FormatLineSettings(settings) + ": " + LastError(r));
    // The rate last and by our own hand: the library says OK where a port keeps its old rate, and
    // knows fewer odd rates than the kernel. What was got is read back below.
    if (settings.baud != 0 && !SetBaud(handle_, settings.baud))
      return Status(Code::kIo, name_ + ": cannot set " + std::to_string(settings.baud) +
                                   " baud: " + std::strerror(errno));
    if (Status s = WaitForBytes(); !s.ok()) return s;
    Result<LineSettings> got = ReadSettings(handle_, name_);
    if (got.ok() && got->baud != 0) got->baud = DividedRate(got->baud);
    return got;
  }

  ReadResult Read(std::span<char> buffer) override {
    if (buffer.size() <= MarkedBytes::kMayWait)
      return {ReadOutcome::kFailed, 0, Status(Code::kInvalidArgument, "buffer too small"), {}};
    ReadResult got =
        ReadDescriptor(handle_, buffer.first(buffer.size() - MarkedBytes::kMayWait), name_);
    if (got.outcome == ReadOutcome::kBytes) {
      std::int64_t breaks_left = -1;
      LineCounts counted;
      if (Counts(counted)) breaks_left = std::int64_t{counted.breaks} - breaks_delivered_;
      const std::int64_t before = breaks_left;
      got.size = marked_.Unmark(buffer, got.size, breaks_left, got.marks);
      if (before > 0) breaks_delivered_ += before - breaks_left;
      return got;
    }
    if (got.outcome != ReadOutcome::kGone) return got;
    // 0 bytes: gone, unless the settings were changed under us so that 0 also means "none yet".
    pollfd one = {handle_, POLLIN, 0};
    if (poll(&one, 1, 0) == 0 && sp_input_waiting(port_) >= 0) {
      WaitForBytes().Ignore();
      return {};
    }
    return got;
  }

  Result<std::size_t> Write(ByteView bytes) override {
    return WriteDescriptor(handle_, bytes, name_);
  }

  Result<ModemLines> Lines() override { return ReadModemLines(handle_, name_); }

  bool Counts(LineCounts& out) override {
    serial_icounter_struct counted = {};
    if (ioctl(handle_, TIOCGICOUNT, &counted) != 0) return false;
    if (!counted_first_) {
      first_ = counted;
      counted_first_ = true;
    }
    out.framing = static_cast<std::uint32_t>(counted.frame - first_.frame);
    out.parity = static_cast<std::uint32_t>(counted.parity - first_.parity);
    out.overrun = static_cast<std::uint32_t>(counted.overrun - first_.overrun);
    out.buffer_overrun = static_cast<std::uint32_t>(counted.buf_overrun - first_.buf_overrun);
    out.breaks = static_cast<std::uint32_t>(counted.brk - first_.brk);
    if (watcher_) watcher_->Nudge();
    return true;
  }

  Result<int> WatchLines() override {
    if (watcher_) return watcher_->poll_handle();
    const Result<ModemLines> now = Lines();
    if (!now.ok()) return now.status();
    watcher_ = std::make_unique<LineWatcher>(handle_, *now);
    if (watcher_->poll_handle() < 0)
      return Status(Code::kIo, name_ + ": cannot watch the modem lines");
    return watcher_->poll_handle();
  }

  std::vector<LineChange> TakeLineChanges() override {
    return watcher_ ? watcher_->Take() : std::vector<LineChange>();
  }

  Status SetLines(std::uint32_t mask, std::uint32_t asserted) override {
    int on = 0;
    int off = 0;
    if (mask & kRtsBit) (asserted & kRtsBit ? on : off) |= TIOCM_RTS;
    if (mask & kDtrBit) (asserted & kDtrBit ? on : off) |= TIOCM_DTR;
    if ((on != 0 && ioctl(handle_, TIOCMBIS, &on) != 0) ||
        (off != 0 && ioctl(handle_, TIOCMBIC, &off) != 0))
      return Status(errno == ENOTTY ? Code::kUnsupported : Code::kIo,
                    name_ + ": cannot set RTS or DTR: " + std::strerror(errno));
    return OkStatus();
  }

  Status SendBreak(Duration length) override {
    if (sp_start_break(port_) != SP_OK)
      return Status(Code::kUnsupported, name_ + ": cannot send a break: " + LastError(SP_ERR_FAIL));
    const auto milliseconds = static_cast<int>(
        std::min<std::int64_t>(1000, std::max<std::int64_t>(1, length.ns() / 1'000'000)));
    poll(nullptr, 0, milliseconds);
    if (sp_end_break(port_) != SP_OK)
      return Status(Code::kIo, name_ + ": cannot end the break: " + LastError(SP_ERR_FAIL));
    return OkStatus();
  }

  Status SetBreak(bool on) override {
    if ((on ? sp_start_break(port_) : sp_end_break(port_)) != SP_OK)
      return Status(Code::kUnsupported, name_ + ": cannot send a break: " + LastError(SP_ERR_FAIL));
    return OkStatus();
  }

  std::size_t Draining() override {
    int left = 0;
    return ioctl(handle_, TIOCOUTQ, &left) == 0 && left > 0 ? static_cast<std::size_t>(left) : 0;
  }

  // A null-modem cable joins our RTS to the other side's CTS and our DTR to its DSR and DCD
  // (common practice, no source).
  void ShowLines(std::uint32_t asserted, std::uint32_t changed) override {
    const auto across = [](std::uint32_t lines) {
      constexpr std::uint32_t kCtsBit = 2;
      constexpr std::uint32_t kDsrBit = 8;
      return (lines & kCtsBit ? kRtsBit : 0u) | (lines & kDsrBit ? kDtrBit : 0u);
    };
    SetLines(across(changed), across(asserted)).Ignore();
  }

  int poll_handle() const override { return handle_; }

  Status Close() override {
    if (port_ == nullptr) return OkStatus();
    Status status;
    watcher_.reset();
    if (open_) {
      DrainBounded(handle_, kDrainLimit);
      if (latency_changed_) SetLowLatency(false);
      (void)ioctl(handle_, TIOCNXCL);
      // Drivers wait up to 30 s in close for bytes that are on their way to a peer that takes none.
      sp_return closed = SP_OK;
      RunInterruptibly([&] { closed = sp_close(port_); }, kCloseLimit);
      if (closed != SP_OK) status = Status(Code::kIo, name_ + ": cannot close the port");
    }
    sp_free_port(port_);
    port_ = nullptr;
    open_ = false;
    handle_ = -1;
    return status;
  }

 private:
  bool ReadSerial(serial_struct& out) const { return ioctl(handle_, TIOCGSERIAL, &out) == 0; }

  bool SetLowLatency(bool on) {
    serial_struct now = {};
    if (!ReadSerial(now)) return false;
    if (on)
      now.flags |= ASYNC_LOW_LATENCY;
    else
      now.flags &= ~ASYNC_LOW_LATENCY;
    return ioctl(handle_, TIOCSSERIAL, &now) == 0;
  }

  Status AskLowLatency() {
    serial_struct now = {};
    if (ReadSerial(now) && (now.flags & ASYNC_LOW_LATENCY) != 0) return OkStatus();
    if (!SetLowLatency(true))
      return Status(Code::kUnsupported,
                    name_ + ": the driver can't be asked for low latency: " + std::strerror(errno));
    latency_changed_ = true;
    return OkStatus();
  }

  // A 16550 divides its clock by a whole number; the kernel tells the rate that was asked for, not
  // the one that came out. The divisor is rounded to the nearest (Linux, serial_core.c,
  // uart_get_divisor).
  std::uint32_t DividedRate(std::uint32_t baud) const {
    serial_struct chip = {};
    if (!ReadSerial(chip) || chip.type < PORT_8250 || chip.type > PORT_16550A ||
        chip.baud_base <= 0)
      return baud;
    const auto base = static_cast<std::uint32_t>(chip.baud_base);
    const std::uint32_t divisor = std::max<std::uint32_t>(1, (base + baud / 2) / baud);
    return base / divisor;
  }

  // The library lets read return 0 at once when there is nothing (VMIN 0), which cannot be told
  // from an unplugged adapter. With VMIN 1 it is EAGAIN. It also has the driver drop the marks of
  // bytes that came with errors (IGNPAR): we want them.
  Status WaitForBytes() { return MakeWaiting(handle_); }

  Status MakeWaiting(int handle) {
    termios settings = {};
    if (tcgetattr(handle, &settings) != 0)
      return Status(Code::kIo, name_ + ": not a serial line: " + std::strerror(errno));
    settings.c_cc[VMIN] = 1;
    settings.c_cc[VTIME] = 0;
    settings.c_iflag &= ~static_cast<tcflag_t>(IGNPAR | IGNBRK | BRKINT);
    settings.c_iflag |= PARMRK | INPCK;
    if (hold_lines_)
      settings.c_cflag &= ~static_cast<tcflag_t>(HUPCL);
    else
      settings.c_cflag |= HUPCL;
    if (tcsetattr(handle, TCSANOW, &settings) != 0)
      return Status(Code::kIo, name_ + ": cannot set up the line: " + std::strerror(errno));
    return OkStatus();
  }

  sp_port* port_;
  std::string device_;
  std::string name_;
  int handle_ = -1;
  bool open_ = false;
  MarkedBytes marked_;
  std::int64_t breaks_delivered_ = 0;
  serial_icounter_struct first_ = {};  // the driver counts since the port was made
  bool counted_first_ = false;
  std::unique_ptr<LineWatcher> watcher_;
  bool hold_lines_ = false;
  bool latency_changed_ = false;
};

}  // namespace

Result<std::unique_ptr<Port>> OpenSerialPort(const std::string& device, const std::string& name,
                                             const OpenOptions& options, OpenReport& report) {
  sp_port* raw = nullptr;
  if (const sp_return r = sp_get_port_by_name(device.c_str(), &raw); r != SP_OK)
    return r == SP_ERR_FAIL ? OpenError(name, sp_last_error_code())
                            : Status(Code::kIo, name + ": not a serial port");
  auto port = std::make_unique<SerialPort>(raw, device, name);
  if (Status s = port->Open(options, report); !s.ok()) return s;
  return std::unique_ptr<Port>(std::move(port));
}

}  // namespace witness
