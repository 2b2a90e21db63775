#include "capture/examine/lines_of.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cstdint>

#include "capture/examine/sixteen.h"

namespace witness {

namespace {

constexpr std::array<std::uint8_t, 256> kText = [] {
  std::array<std::uint8_t, 256> out{};
  for (unsigned c = 0; c < 256; ++c) out[c] = IsTextByte(static_cast<char>(c)) ? 1 : 0;
  return out;
}();

std::uint32_t TextIn(const Sixteen& bytes) {
  std::uint32_t text = bytes.Printable();
  if (text != Sixteen::kAll) text |= bytes.Any('\r', '\n', '\t', '\b', '\x1b', '\x1a', '\x03');
  return text;
}

std::size_t CountSlowly(ByteView bytes) {
  std::size_t n = 0;
  for (const char c : bytes) n += kText[static_cast<unsigned char>(c)];
  return n;
}

}  // namespace

bool IsText(ByteView bytes) {
  const std::size_t size = bytes.size();
  if (size < 4) return CountSlowly(bytes) == size;
  if (size < Sixteen::kSize) return TextIn(Sixteen::Of(bytes)) == Sixteen::kAll;
  const char* const last = bytes.data() + size - Sixteen::kSize;
  for (const char* at = bytes.data(); at < last; at += Sixteen::kSize)
    if (TextIn(Sixteen(at)) != Sixteen::kAll) return false;
  return TextIn(Sixteen(last)) == Sixteen::kAll;  // some of these are looked at twice
}

std::size_t CountText(ByteView bytes) {
  std::size_t n = 0, at = 0;
  for (; at + Sixteen::kSize <= bytes.size(); at += Sixteen::kSize)
    n += static_cast<std::size_t>(std::popcount(TextIn(Sixteen(bytes.data() + at))));
  return n + CountSlowly(bytes.substr(at));
}

std::size_t FindLineEnd(ByteView bytes, std::size_t from) {
  std::size_t at = from;
  for (; at + Sixteen::kSize <= bytes.size(); at += Sixteen::kSize)
    if (const std::uint32_t ends = Sixteen(bytes.data() + at).Any('\r', '\n'))
      return at + static_cast<std::size_t>(std::countr_zero(ends));
  for (; at < bytes.size(); ++at)
    if (IsLineEnd(bytes[at])) return at;
  return ByteView::npos;
}

std::size_t FindLastLineEnd(ByteView bytes) {
  std::size_t end = bytes.size();
  for (; end >= Sixteen::kSize; end -= Sixteen::kSize)
    if (const std::uint32_t ends = Sixteen(bytes.data() + end - Sixteen::kSize).Any('\r', '\n'))
      return end - Sixteen::kSize + static_cast<std::size_t>(std::bit_width(ends)) - 1;
  for (; end > 0; --end)
    if (IsLineEnd(bytes[end - 1])) return end - 1;
  return ByteView::npos;
}

ByteView LastLine(ByteView bytes) {
  bytes = Stripped(bytes);
  const std::size_t at = FindLastLineEnd(bytes);
  return at == ByteView::npos ? bytes : bytes.substr(at + 1);
}

ByteView LastLineWithEnding(ByteView bytes) {
  std::size_t end = bytes.size();
  while (end > 0 && (bytes[end - 1] == '\r' || bytes[end - 1] == '\n')) --end;
  if (end == 0) return {};
  const std::size_t before = FindLastLineEnd(bytes.substr(0, end));
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
