// Rates of any value. <asm/termbits.h> cannot be included together with <termios.h>, hence a file
// of its own.
#include <asm/ioctls.h>
#include <asm/termbits.h>
#include <sys/ioctl.h>

#include "capture/line/posix_line.h"

namespace witness {

std::uint32_t ReadBaud(int descriptor) {
  struct termios2 settings = {};
  if (ioctl(descriptor, TCGETS2, &settings) != 0) return 0;
  return settings.c_ospeed;
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
