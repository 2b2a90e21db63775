#include "capture/examine/lines_of.h"

#include <algorithm>

namespace witness {

bool IsText(ByteView bytes) { return std::all_of(bytes.begin(), bytes.end(), IsTextByte); }

ByteView Stripped(ByteView bytes) {
  while (!bytes.empty() && (bytes.back() == '\r' || bytes.back() == '\n')) bytes.remove_suffix(1);
  while (!bytes.empty() && (bytes.front() == '\r' || bytes.front() == '\n')) bytes.remove_prefix(1);
  return bytes;
}

ByteView LastLine(ByteView bytes) {
  bytes = Stripped(bytes);
  const std::size_t at = bytes.find_last_of("\r\n");
  return at == ByteView::npos ? bytes : bytes.substr(at + 1);
}

std::size_t CountLines(ByteView bytes) {
  std::size_t lines = 0;
  bool inside = false;
  for (const char c : bytes) {
    const bool ending = c == '\r' || c == '\n';
    if (!ending && !inside) ++lines;
    inside = !ending;
  }
  return lines;
}

ByteView HeadOf(ByteView line) {
  line = Stripped(line);
  std::size_t end = line.find_first_of(":=,");
  if (end != ByteView::npos) {
    ++end;
  } else {
    end = line.find(' ');
    if (end == ByteView::npos) end = line.size();
  }
  return line.substr(0, std::min<std::size_t>(end, 32));
}

ByteView NameOf(ByteView head) {
  while (!head.empty() && ByteView(":=, ").find(head.back()) != ByteView::npos)
    head.remove_suffix(1);
  return head;
}

}  // namespace witness
