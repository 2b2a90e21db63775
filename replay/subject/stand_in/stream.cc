#include "bytewitness/stream.h"

#include <cmath>
#include <cstring>
#include <string>

#include "replay/subject/stand_in/virtual_time.h"

namespace bytewitness {
namespace {

std::string Digits(std::uint32_t number, int base) {
  if (base < 2) base = 10;
  std::string text;
  do {
    const auto digit = static_cast<char>(number % static_cast<std::uint32_t>(base));
    text.insert(text.begin(), static_cast<char>(digit < 10 ? '0' + digit : 'A' + digit - 10));
    number /= static_cast<std::uint32_t>(base);
  } while (number != 0);
  return text;
}

}  // namespace

unsigned long millis() {
  return static_cast<unsigned long>(trial::VirtualTime::Current().Look("millis").ns() / 1'000'000);
}
unsigned long micros() {
  // In steps of 4, as a board's at 16 MHz.
  return static_cast<unsigned long>(trial::VirtualTime::Current().Look("micros").ns() / 4'000 * 4);
}
void delay(unsigned long milliseconds) {
  trial::VirtualTime::Current().Pass(
      witness::Duration::Milliseconds(static_cast<std::int64_t>(milliseconds)), "delay");
}
void delayMicroseconds(unsigned int microseconds) {
  trial::VirtualTime::Current().Pass(witness::Duration::Microseconds(microseconds),
                                     "delayMicroseconds");
}
void yield() { trial::VirtualTime::Current().Look("yield"); }

std::size_t Print::write(const std::uint8_t* bytes, std::size_t size) {
  std::size_t written = 0;
  while (written < size && write(bytes[written]) > 0) ++written;
  return written;
}
std::size_t Print::write(const char* text) {
  return text == nullptr ? 0 : write(text, std::strlen(text));
}

std::size_t Print::print(unsigned char number, int base) {
  return print(static_cast<unsigned long>(number), base);
}
std::size_t Print::print(int number, int base) { return print(static_cast<long>(number), base); }
std::size_t Print::print(unsigned int number, int base) {
  return print(static_cast<unsigned long>(number), base);
}
std::size_t Print::print(long number, int base) {
  const auto bits = static_cast<std::uint32_t>(static_cast<std::int32_t>(number));
  if (base == 0) return write(static_cast<std::uint8_t>(bits));
  if (base == 10 && static_cast<std::int32_t>(number) < 0)
    return write(("-" + Digits(0u - bits, 10)).c_str());
  return write(Digits(bits, base).c_str());
}
std::size_t Print::print(unsigned long number, int base) {
  if (base == 0) return write(static_cast<std::uint8_t>(number));
  return write(Digits(static_cast<std::uint32_t>(number), base).c_str());
}

// A double has 32 bits on the board, so every step is done in those: the last places shown are
// wrong in the same way.
std::size_t Print::print(double wide, int places) {
  auto number = static_cast<float>(wide);
  if (std::isnan(number)) return print("nan");
  if (std::isinf(number)) return print("inf");
  constexpr float kMost = 4294967040.0f;  // the largest below 2^32
  if (number > kMost || number < -kMost) return print("ovf");
  std::string text;
  if (number < 0) {
    text = "-";
    number = -number;
  }
  float half = 0.5f;
  for (int i = 0; i < places; ++i) half /= 10.0f;
  number += half;
  const auto whole = static_cast<std::uint32_t>(number);
  text += Digits(whole, 10);
  if (places > 0) text += '.';
  float rest = number - static_cast<float>(whole);
  for (int i = 0; i < places; ++i) {
    rest *= 10.0f;
    const auto digit = static_cast<std::uint32_t>(rest);
    text += Digits(digit, 10);
    rest -= static_cast<float>(digit);
  }
  return write(text.c_str());
}

int Stream::timedRead() {
  const unsigned long began = millis();
  do {
    if (const int c = read(); c >= 0) return c;
  } while (millis() - began < timeout_);
  return -1;
}
int Stream::timedPeek() {
  const unsigned long began = millis();
  do {
    if (const int c = peek(); c >= 0) return c;
  } while (millis() - began < timeout_);
  return -1;
}

bool Stream::find(const char* what) { return find(what, std::strlen(what)); }
bool Stream::findUntil(const char* what, const char* until) {
  return findUntil(what, std::strlen(what), until, std::strlen(until));
}
bool Stream::findUntil(const char* what, std::size_t size, const char* until,
                       std::size_t until_size) {
  const std::string wanted(what, size);
  const std::string stop(until != nullptr ? until : "", until_size);
  if (wanted.empty()) return true;
  if (until != nullptr && stop.empty()) return false;
  std::string seen;
  for (int c = timedRead(); c >= 0; c = timedRead()) {
    seen += static_cast<char>(c);
    if (seen.ends_with(wanted)) return true;
    if (until != nullptr && seen.ends_with(stop)) return false;
  }
  return false;
}

int Stream::PeekDigit(LookaheadMode skip, bool point) {
  for (;;) {
    const int c = timedPeek();
    if (c < 0 || c == '-' || (c >= '0' && c <= '9') || (point && c == '.')) return c;
    const bool blank = c == ' ' || c == '\t' || c == '\r' || c == '\n';
    if (skip == SKIP_NONE || (skip == SKIP_WHITESPACE && !blank)) return -1;
    read();
  }
}

long Stream::parseInt(LookaheadMode skip, char ignore) {
  int c = PeekDigit(skip, false);
  if (c < 0) return 0;
  bool negative = false;
  std::uint32_t value = 0;  // wraps, as 32 bits do
  do {
    if (c == ignore) {
    } else if (c == '-') {
      negative = true;
    } else if (c >= '0' && c <= '9') {
      value = value * 10 + static_cast<std::uint32_t>(c - '0');
    }
    read();
    c = timedPeek();
  } while ((c >= '0' && c <= '9') || c == ignore);
  return static_cast<std::int32_t>(negative ? 0u - value : value);
}

float Stream::parseFloat(LookaheadMode skip, char ignore) {
  int c = PeekDigit(skip, true);
  if (c < 0) return 0;
  bool negative = false, behind_point = false;
  std::uint32_t value = 0;
  float tenth = 1;
  do {
    if (c == ignore) {
    } else if (c == '-') {
      negative = true;
    } else if (c == '.') {
      behind_point = true;
    } else if (c >= '0' && c <= '9') {
      value = value * 10 + static_cast<std::uint32_t>(c - '0');
      if (behind_point) tenth *= 0.1f;
    }
    read();
    c = timedPeek();
  } while ((c >= '0' && c <= '9') || (c == '.' && !behind_point) || c == ignore);
  const auto whole = static_cast<std::int32_t>(negative ? 0u - value : value);
  return behind_point ? static_cast<float>(whole) * tenth : static_cast<float>(whole);
}

std::size_t Stream::readBytes(char* buffer, std::size_t size) {
  std::size_t count = 0;
  for (; count < size; ++count) {
    const int c = timedRead();
    if (c < 0) break;
    buffer[count] = static_cast<char>(c);
  }
  return count;
}
std::size_t Stream::readBytesUntil(char until, char* buffer, std::size_t size) {
  std::size_t count = 0;
  for (; count < size; ++count) {
    const int c = timedRead();
    if (c < 0 || c == until) break;
    buffer[count] = static_cast<char>(c);
  }
  return count;
}

String Stream::readString() {
  String text;
  for (int c = timedRead(); c >= 0; c = timedRead()) text += static_cast<char>(c);
  return text;
}
String Stream::readStringUntil(char until) {
  String text;
  for (int c = timedRead(); c >= 0 && c != until; c = timedRead()) text += static_cast<char>(c);
  return text;
}

}  // namespace bytewitness
