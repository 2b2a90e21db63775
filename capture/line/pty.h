// Pseudo-terminals as ports: the master side of one we make, and the program's side of another's.
//
// A pty has no modem lines and no break that could be passed on, and its rate is only a number
// that the two sides may set; everything else behaves like a port. Nothing here blocks.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "capture/line/port.h"

namespace witness {

// A pty of our own, raw from the start, so that nothing is echoed or changed by the kernel. A
// program opens program_side(). That side is also kept open by us: the program may close and open
// it again, and never looks like an unplugged port. (What was written while no program had it open
// waits for the next one, up to the kernel's 4 KiB and then in the driver's queue; see
// DiscardUnread.)
class PtyPort : public Port {
 public:
  // `link`, if not empty, becomes a symbolic link to the program's side until Close. An old
  // dangling link of that name is replaced; anything else there is an error.
  static Result<std::unique_ptr<PtyPort>> Create(const std::string& link = "");
  ~PtyPort() override;
  PtyPort(const PtyPort&) = delete;
  PtyPort& operator=(const PtyPort&) = delete;

  // What a program is to open: the link if there is one, else "/dev/pts/N".
  const std::string& program_side() const { return program_side_; }

  // "/dev/pts/N", whether or not there is a link.
  const std::string& device() const { return device_; }

  // How many processes besides us have the program's side open (looks through /proc; not for
  // every byte).
  int ProgramsHolding() const;

  // How many bytes the kernel holds that the program's side has not read yet.
  std::size_t UnreadBytes() const;

  // Throws away what the program's side has not read yet.
  Status DiscardUnread();

  // The settings that the program has asked of its side.
  Result<LineSettings> ProgramSettings() const;

  std::string name() const override { return program_side_; }
  Result<LineSettings> Configure(const LineSettings& settings) override;
  ReadResult Read(std::span<char> buffer) override;
  Result<std::size_t> Write(ByteView bytes) override;
  Result<ModemLines> Lines() override;
  Status SetLines(std::uint32_t mask, std::uint32_t asserted) override;
  Status SendBreak(Duration length) override;
  // A change of rate, stop bits or flow control by the program. Data bits and parity of a pty can't
  // be told (the kernel forces 8 and none): they are as last shown. Costs one system call.
  std::vector<LineRequest> TakeRequests() override;
  void ShowSettings(const LineSettings& got) override { shown_ = got; }
  int poll_handle() const override { return master_; }
  Status Close() override;

 private:
  PtyPort() = default;

  int master_ = -1;
  int kept_ = -1;
  std::string device_;
  std::string program_side_;
  std::string link_;
  std::optional<LineSettings> seen_;  // of the program's side
  LineSettings shown_;                // what became of it at the module's port
};

// Opens the program's side of a pty that another program made ("/dev/pts/N" or a link to it),
// raw, for us alone. Errors: kNotFound, kIo (busy: says who).
Result<std::unique_ptr<Port>> OpenPtySide(const std::string& path);

}  // namespace witness
