#include "capture/examine/lines_of.h"

#include <algorithm>
#include <bit>
#include <cstdint>

namespace witness {

namespace {

constexpr std::uint32_t AllOf(std::size_t count) { return (std::uint32_t{1} << count) - 1; }

bool IsTextIn(const Sixteen& bytes, std::size_t count) {
  return TextIn(bytes, bytes.Printable(), count) == AllOf(count);
}

}  // namespace

bool IsText(ByteView bytes) {
  constexpr std::size_t kBlock = Sixteen::kSize;
  const std::size_t size = bytes.size();
  if (size < 4)
    return std::all_of(bytes.begin(), bytes.end(), [](char c) { return IsTextByte(c); });
  if (size < kBlock) return IsTextIn(Sixteen(bytes), size);
  const char* const last = bytes.data() + size - kBlock;
  for (const char* at = bytes.data(); at < last; at += kBlock)
    if (!IsTextIn(Sixteen(at), kBlock)) return false;
  return IsTextIn(Sixteen(last), kBlock);  // some of these are looked at twice
}

std::size_t CountPrintable(ByteView bytes) {
  std::size_t n = 0;
  ForSixteens(bytes, [&](const Sixteen& block, std::size_t, std::size_t count) {
    const std::uint32_t others = ~block.Printable() & AllOf(count);
    n += others == 0 ? count : static_cast<std::size_t>(std::countr_zero(others));
    return others == 0;
  });
  return n;
}

bool IsPrintable(ByteView bytes) { return CountPrintable(bytes) == bytes.size(); }

std::size_t CountText(ByteView bytes) {
  std::size_t n = 0;
  ForSixteens(bytes, [&](const Sixteen& block, std::size_t, std::size_t count) {
    n += CountTextIn(block, block.Printable(), count);
    return true;
  });
  return n;
}

std::size_t FindLineEnd(ByteView bytes, std::size_t from) {
  return FindAny(bytes, from, '\r', '\n');
}

std::size_t FindLastLineEnd(ByteView bytes) {
  const auto last = [](const Sixteen& block) {
    return static_cast<std::size_t>(std::bit_width(block.Any('\r', '\n')));
  };
  std::size_t end = bytes.size();
  for (; end >= Sixteen::kSize; end -= Sixteen::kSize)
    if (const std::size_t n = last(Sixteen(bytes.data() + end - Sixteen::kSize)); n != 0)
      return end - Sixteen::kSize + n - 1;
  const std::size_t n = end > 0 ? last(Sixteen(bytes.substr(0, end))) : 0;
  return n == 0 ? ByteView::npos : n - 1;
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

namespace {

bool IsDigit(char c) { return c >= '0' && c <= '9'; }

Bytes WithNumbersAsOne(ByteView head) {
  Bytes out;
  for (std::size_t i = 0; i < head.size(); ++i) {
    if (!IsDigit(head[i]))
      out += head[i];
    else if (i == 0 || !IsDigit(head[i - 1]))
      out += '0';
  }
  return out;
}

}  // namespace

Bytes SortOf(ByteView line) {
  const ByteView head = HeadOf(line);
  if (head.empty() || (IsDigit(head[0]) && head.back() != ',')) return Bytes(head);
  return WithNumbersAsOne(head);
}

Bytes ValueSortOf(ByteView line) { return WithNumbersAsOne(HeadOf(line)); }

Bytes BannerHeadOf(ByteView text) {
  Bytes out(text.substr(0, std::min<std::size_t>(text.find_first_of("\r\n"), 64)));
  for (char& c : out)
    if (IsDigit(c)) c = '0';
  return out.size() < 4 ? Bytes() : out;
}

ByteView NameOf(ByteView head) {
  while (!head.empty() && ByteView(":=, ").find(head.back()) != ByteView::npos)
    head.remove_suffix(1);
  return head;
}

}  // namespace witness
