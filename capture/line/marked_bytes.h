// Takes apart what Linux delivers from a line with PARMRK and INPCK set: FF 00 x is a byte x that
// came with a parity or framing error, FF 00 00 a break (or a bad NUL), FF FF a plain FF
// (termios(3)). Pure: no descriptor, no clock. Feeding one byte or many gives the same result.
#pragma once

#include <span>
#include <vector>

#include "capture/line/port.h"

namespace witness {

class MarkedBytes {
 public:
  // How many bytes of an unfinished mark may wait between two calls: a caller that reads into a
  // buffer and unmarks it in place leaves that much room behind what it read.
  static constexpr std::size_t kMayWait = 2;

  // Unmarks the first `size` bytes of `buffer` in place, after what waited from the call before;
  // `buffer` must have room for `size` + kMayWait. Marks are appended. Returns how many bytes of
  // `buffer` are data now.
  // `breaks_left`: how many of the next FF 00 00 are breaks, since the driver counted so many more;
  // the rest are bad NULs. Is lowered by those found. Negative: the driver does not count, all are.
  std::size_t Unmark(std::span<char> buffer, std::size_t size, std::int64_t& breaks_left,
                     std::vector<ReadMark>& marks);

 private:
  int waiting_ = 0;  // 0: nothing; 1: FF came; 2: FF 00 came
};

}  // namespace witness
