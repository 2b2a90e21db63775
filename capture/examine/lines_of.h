// Text and its lines: what counts as text, line content, heads of lines.
#pragma once

#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <string_view>
#include <utility>

#include "capture/base/bytes.h"
#include "capture/examine/sixteen.h"

namespace witness {

constexpr ByteView kTextControls = "\r\n\t\b\x1b\x1a\x03\x7f";
// Printable ASCII, CR, LF, TAB, backspace and the control characters that a person types into a
// dialogue (ESC, Ctrl-Z, Ctrl-C, and DEL, which terminals send for backspace).
constexpr bool IsTextByte(char c) {
  const auto b = static_cast<unsigned char>(c);
  return (b >= 0x20 && b < 0x7f) || kTextControls.find(c) != ByteView::npos;
}
bool IsText(ByteView bytes);  // all of it; true for no bytes
std::size_t CountText(ByteView bytes);
std::size_t CountPrintable(ByteView bytes);  // how many it begins with are printable ASCII
bool IsPrintable(ByteView bytes);            // all of it printable ASCII

// Which of the first `count` of sixteen are text, given which are printable ASCII.
inline std::uint32_t TextIn(const Sixteen& bytes, std::uint32_t printable, std::size_t count) {
  if (printable == (std::uint32_t{1} << count) - 1) return printable;
  return printable | [&]<std::size_t... I>(std::index_sequence<I...>) {
    return bytes.Any(kTextControls[I]...);
  }
  (std::make_index_sequence<kTextControls.size()>());
}

// How many these are.
inline std::size_t CountTextIn(const Sixteen& bytes, std::uint32_t printable, std::size_t count) {
  // Not every processor has an instruction for it.
  static constexpr std::array<std::uint8_t, 256> kOnes = [] {
    std::array<std::uint8_t, 256> out{};
    for (unsigned i = 0; i < 256; ++i) out[i] = static_cast<std::uint8_t>(std::popcount(i));
    return out;
  }();
  const std::uint32_t text = TextIn(bytes, printable, count);
  return kOnes[text & 0xff] + std::size_t{kOnes[text >> 8]};
}

// Whether a console gives `given` back in place of a key, so that nobody reads along.
inline bool HidesKey(char given, char key) { return given == '*' && key > ' ' && key < 0x7f; }
inline bool IsLineEnd(char c) { return c == '\r' || c == '\n'; }
// The first at `from` or behind it, the last; npos: none.
std::size_t FindLineEnd(ByteView bytes, std::size_t from);
std::size_t FindLastLineEnd(ByteView bytes);

// Whether a character can stand in place of CR or LF behind a command or an answer: ';', '#', ETX.
inline bool CanBeMark(char c) {
  const bool letter_or_digit =
      (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
  return IsTextByte(c) && !letter_or_digit && c != ' ' && c != '\r' && c != '\n' && c != '\t';
}

// `bytes` without CR and LF at its start and end.
inline ByteView Stripped(ByteView bytes) {
  while (!bytes.empty() && (bytes.back() == '\r' || bytes.back() == '\n')) bytes.remove_suffix(1);
  while (!bytes.empty() && (bytes.front() == '\r' || bytes.front() == '\n')) bytes.remove_prefix(1);
  return bytes;
}

// The last line with something in it, without its ending; empty if there is none.
ByteView LastLine(ByteView bytes);
// The last line with something in it, with its ending if it has one.
ByteView LastLineWithEnding(ByteView bytes);
// How many lines have something in them.
std::size_t CountLines(ByteView bytes);

// What a line begins with and other lines of its sort share: up to and with the first ':', '=' or
// ',', else up to a space, else all of it. Never longer than 32 bytes.
ByteView HeadOf(ByteView line);
// HeadOf with each number in it as one 0, so that "[12:30] " and "[9:05] " are of one sort; a line
// that begins with a digit keeps them: there they are likely to be what it says, unless more values
// follow (",").
Bytes SortOf(ByteView line);
// The same where a line that begins with a digit says that some value is there, whichever.
Bytes ValueSortOf(ByteView line);
// The first line of what is said at power-up, each digit in it as 0; empty if it is too short.
Bytes BannerHeadOf(ByteView text);
// A head without its separator: what a command would call it.
ByteView NameOf(ByteView head);

}  // namespace witness
