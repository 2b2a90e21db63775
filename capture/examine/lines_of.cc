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

ByteView LastLineWithEnding(ByteView bytes) {
  std::size_t end = bytes.size();
  while (end > 0 && (bytes[end - 1] == '\r' || bytes[end - 1] == '\n')) --end;
  if (end == 0) return {};
  const std::size_t before = bytes.find_last_of("\r\n", end - 1);
  const std::size_t start = before == ByteView::npos ? 0 : before + 1;
  // Of a run of endings only the first belongs to it.
  std::size_t stop = end;
  if (stop < bytes.size()) ++stop;
  if (stop < bytes.size() && bytes[end] == '\r' && bytes[stop] == '\n') ++stop;
  return bytes.substr(start, stop - start);
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

Bytes SortOf(ByteView line) {
  const ByteView head = HeadOf(line);
  const auto digit = [](char c) { return c >= '0' && c <= '9'; };
  if (head.empty() || digit(head[0])) return Bytes(head);
  Bytes out;
  for (std::size_t i = 0; i < head.size(); ++i) {
    if (!digit(head[i]))
      out += head[i];
    else if (!digit(head[i - 1]))
      out += '0';
  }
  return out;
}

ByteView NameOf(ByteView head) {
  while (!head.empty() && ByteView(":=, ").find(head.back()) != ByteView::npos)
    head.remove_suffix(1);
  return head;
}

}  // namespace witness
