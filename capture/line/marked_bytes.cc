#include "capture/line/marked_bytes.h"

#include <cstring>

namespace witness {

std::size_t MarkedBytes::Unmark(std::span<char> buffer, std::size_t size, std::int64_t& breaks_left,
                                std::vector<ReadMark>& marks) {
  constexpr char kMark = '\xff';
  // By far the most usual case: no mark at all.
  if (waiting_ == 0 && std::memchr(buffer.data(), kMark, size) == nullptr) return size;

  // What waited may turn out to be data: move the input out of the way of the output.
  std::memmove(buffer.data() + kMayWait, buffer.data(), size);
  const char* const input = buffer.data() + kMayWait;
  std::size_t out = 0;
  for (std::size_t i = 0; i < size; ++i) {
    const char c = input[i];
    switch (waiting_) {
      case 0:
        if (c == kMark)
          waiting_ = 1;
        else
          buffer[out++] = c;
        break;
      case 1:
        waiting_ = 0;
        if (c == '\0') {
          waiting_ = 2;
        } else {
          buffer[out++] = kMark;
          // Neither FF FF nor FF 00: marking was off when it came; both are data.
          if (c != kMark) buffer[out++] = c;
        }
        break;
      default:
        waiting_ = 0;
        if (c == '\0' && breaks_left != 0) {
          if (breaks_left > 0) --breaks_left;
          marks.push_back({ReadMark::Kind::kBreak, out});
        } else {
          marks.push_back({ReadMark::Kind::kBadByte, out});
          buffer[out++] = c;
        }
        break;
    }
  }
  return out;
}

}  // namespace witness
