#include "capture/examine/lines_of.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cstdint>
#include <cstring>

namespace witness {

namespace {

constexpr std::uint64_t kHigh = 0x8080808080808080;

// The high bit of each of the eight bytes of `word` that is not printable ASCII: it has its high
// bit set, is 7F, or is below 20. A byte behind an FF may be marked though it is printable.
std::uint64_t NotPrintable(std::uint64_t word) {
  const std::uint64_t above = word | (word + 0x0101010101010101);
  const std::uint64_t below = ~((word | kHigh) - 0x2020202020202020);
  return (above | below) & kHigh;
}

constexpr std::array<std::uint8_t, 256> kText = [] {
  std::array<std::uint8_t, 256> out{};
  for (unsigned c = 0; c < 256; ++c) out[c] = IsTextByte(static_cast<char>(c)) ? 1 : 0;
  return out;
}();

}  // namespace

bool IsText(ByteView bytes) {
  const char* const data = bytes.data();
  const std::size_t size = bytes.size();
  const auto is_text = [](char c) { return kText[static_cast<unsigned char>(c)] != 0; };
  std::uint64_t word;
  if (size < sizeof word) return std::all_of(bytes.begin(), bytes.end(), is_text);
  for (std::size_t at = 0;;) {
    std::memcpy(&word, data + at, sizeof word);
    // Few need a second look: the ending of a line.
    if (NotPrintable(word) != 0) {
      if constexpr (std::endian::native == std::endian::little) {
        for (std::uint64_t mark = NotPrintable(word); mark != 0; mark &= mark - 1)
          if (!is_text(data[at + static_cast<std::size_t>(std::countr_zero(mark)) / 8]))
            return false;
      } else if (!std::all_of(data + at, data + at + sizeof word, is_text)) {
        return false;
      }
    }
    if (at + sizeof word == size) return true;
    at = std::min(at + sizeof word, size - sizeof word);  // the last ones are looked at twice
  }
}

std::size_t CountText(ByteView bytes) {
  if (IsText(bytes)) return bytes.size();
  std::size_t n = 0, at = 0;
  while (at < bytes.size()) {
    std::uint64_t word;
    if (at + sizeof word <= bytes.size()) {
      std::memcpy(&word, bytes.data() + at, sizeof word);
      if (NotPrintable(word) == 0) {
        n += sizeof word;
        at += sizeof word;
        continue;
      }
    }
    const std::size_t end = std::min(bytes.size(), at + sizeof word);
    for (; at < end; ++at) n += kText[static_cast<unsigned char>(bytes[at])];
  }
  return n;
}

std::size_t FindLineEnd(ByteView bytes, std::size_t from) {
  for (std::size_t at = from; at < bytes.size(); ++at)
    if (IsLineEnd(bytes[at])) return at;
  return ByteView::npos;
}

std::size_t FindLastLineEnd(ByteView bytes) {
  for (std::size_t at = bytes.size(); at > 0; --at)
    if (IsLineEnd(bytes[at - 1])) return at - 1;
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
