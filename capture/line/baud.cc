// Rates of any value. <asm/termbits.h> cannot be included together with <termios.h>, hence a file
// of its own.
#include <asm/ioctls.h>
#include <asm/termbits.h>
#include <sys/ioctl.h>

#include <cerrno>
#include <cstring>

#include "capture/line/posix_line.h"

namespace witness {

// One call to the kernel: a relay looks before it passes on what a program says.
Result<LineSettings> ReadSettings(int descriptor, const std::string& name) {
  struct termios2 t = {};
  if (ioctl(descriptor, TCGETS2, &t) != 0)
    return Status(Code::kIo, name + ": cannot read the line's settings: " + std::strerror(errno));
  LineSettings out;
  out.baud = t.c_ospeed;
  switch (t.c_cflag & CSIZE) {
    case CS5:
      out.data_bits = 5;
      break;
    case CS6:
      out.data_bits = 6;
      break;
    case CS7:
      out.data_bits = 7;
      break;
    default:
      out.data_bits = 8;
  }
  out.parity = Parity::kNone;
  if (t.c_cflag & PARENB) {
    const bool stick = (t.c_cflag & CMSPAR) != 0;
    const bool odd = (t.c_cflag & PARODD) != 0;
    out.parity =
        stick ? (odd ? Parity::kMark : Parity::kSpace) : (odd ? Parity::kOdd : Parity::kEven);
  }
  out.stop_bits = t.c_cflag & CSTOPB ? StopBits::kTwo : StopBits::kOne;
  out.flow = FlowControl::kNone;
  if (t.c_cflag & CRTSCTS)
    out.flow = FlowControl::kRtsCts;
  else if (t.c_iflag & (IXON | IXOFF))
    out.flow = FlowControl::kXonXoff;
  return out;
}

bool SetBaud(int descriptor, std::uint32_t baud) {
  struct termios2 settings = {};
  if (ioctl(descriptor, TCGETS2, &settings) != 0) return false;
  settings.c_cflag &= ~static_cast<tcflag_t>(CBAUD | (CBAUD << IBSHIFT));
  settings.c_cflag |= BOTHER | (BOTHER << IBSHIFT);
  settings.c_ospeed = baud;
  settings.c_ispeed = baud;
  return ioctl(descriptor, TCSETS2, &settings) == 0;
}

}  // namespace witness
