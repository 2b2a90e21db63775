#include "capture/commands/terminal_columns.h"

#include <sys/ioctl.h>

namespace witness {

std::size_t TerminalColumns(int descriptor) {
  winsize size = {};
  return ioctl(descriptor, TIOCGWINSZ, &size) == 0 ? size.ws_col : 0u;
}

}  // namespace witness
