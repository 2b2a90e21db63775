#include "bytewitness/text.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>

namespace bytewitness {
namespace {

// White space and letters as the C library of the board has them, whatever the locale here.
bool Blank(char c) { return c == ' ' || (c >= '\t' && c <= '\r'); }
char Lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }
char Upper(char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; }

std::string Digits(std::uint32_t number, unsigned base) {
  if (base < 2 || base > 36) base = 10;
  std::string text;
  do {
    text.insert(text.begin(), "0123456789abcdefghijklmnopqrstuvwxyz"[number % base]);
    number /= base;
  } while (number != 0);
  return text;
}

// A sign for base 10 only: the core's ltoa() shows other bases as the bits they are.
std::string SignedDigits(std::int32_t number, unsigned base) {
  const auto bits = static_cast<std::uint32_t>(number);
  if (number >= 0 || base != 10) return Digits(bits, base);
  return "-" + Digits(0u - bits, base);
}

// As dtostrf(): so many places, at least `places` + 2 wide. A double has 32 bits there.
std::string Decimal(double number, unsigned places) {
  char text[64];
  const int precision = static_cast<int>(std::min(places, 20u));
  std::snprintf(text, sizeof text, "%*.*f", precision + 2, precision,
                static_cast<double>(static_cast<float>(number)));
  return text;
}

}  // namespace

String::String(unsigned char number, unsigned char base) : text_(Digits(number, base)) {}
String::String(int number, unsigned char base)
    : text_(SignedDigits(static_cast<std::int32_t>(number), base)) {}
String::String(unsigned int number, unsigned char base) : text_(Digits(number, base)) {}
String::String(long number, unsigned char base)
    : text_(SignedDigits(static_cast<std::int32_t>(number), base)) {}
String::String(unsigned long number, unsigned char base)
    : text_(Digits(static_cast<std::uint32_t>(number), base)) {}
String::String(float number, unsigned char places)
    : text_(Decimal(static_cast<double>(number), places)) {}
String::String(double number, unsigned char places) : text_(Decimal(number, places)) {}

bool String::reserve(unsigned size) {
  text_.reserve(size);
  return true;
}

bool String::concat(const String& more) {
  text_ += more.text_;
  return true;
}
bool String::concat(const char* more) {
  if (more == nullptr) return false;
  text_ += more;
  return true;
}
bool String::concat(char c) {
  text_ += c;
  return true;
}

bool String::equalsIgnoreCase(const String& other) const {
  return std::equal(text_.begin(), text_.end(), other.text_.begin(), other.text_.end(),
                    [](char a, char b) { return Lower(a) == Lower(b); });
}
bool String::startsWith(const String& start, unsigned from) const {
  return from <= text_.size() && text_.compare(from, start.text_.size(), start.text_) == 0;
}
bool String::endsWith(const String& end) const {
  return text_.size() >= end.text_.size() &&
         text_.compare(text_.size() - end.text_.size(), end.text_.size(), end.text_) == 0;
}

void String::setCharAt(unsigned index, char c) {
  if (index < text_.size()) text_[index] = c;
}
char& String::operator[](unsigned index) {
  static thread_local char nowhere;
  nowhere = '\0';
  return index < text_.size() ? text_[index] : nowhere;
}

void String::getBytes(unsigned char* buffer, unsigned size, unsigned from) const {
  if (buffer == nullptr || size == 0) return;
  std::size_t count = 0;
  if (from < text_.size()) {
    count = std::min<std::size_t>(text_.size() - from, size - 1);
    std::memcpy(buffer, text_.data() + from, count);
  }
  buffer[count] = 0;
}

int String::indexOf(char c, unsigned from) const {
  return from >= text_.size() ? -1 : static_cast<int>(text_.find(c, from));
}
int String::indexOf(const String& what, unsigned from) const {
  return from >= text_.size() ? -1 : static_cast<int>(text_.find(what.text_, from));
}
int String::lastIndexOf(char c, unsigned from) const {
  return from >= text_.size() ? -1 : static_cast<int>(text_.rfind(c, from));
}
int String::lastIndexOf(const String& what, unsigned from) const {
  if (what.text_.empty() || text_.empty() || what.text_.size() > text_.size()) return -1;
  return static_cast<int>(text_.rfind(what.text_, from));
}

String String::substring(unsigned from, unsigned to) const {
  if (from > to) std::swap(from, to);
  if (from >= text_.size()) return {};
  return String(text_.substr(from, to - from));
}

void String::replace(char what, char by) { std::replace(text_.begin(), text_.end(), what, by); }
void String::replace(const String& what, const String& by) {
  if (what.text_.empty()) return;
  for (std::size_t at = 0; (at = text_.find(what.text_, at)) != std::string::npos;
       at += by.text_.size())
    text_.replace(at, what.text_.size(), by.text_);
}
void String::remove(unsigned from, unsigned count) {
  if (from < text_.size()) text_.erase(from, count);
}
void String::toLowerCase() { std::transform(text_.begin(), text_.end(), text_.begin(), Lower); }
void String::toUpperCase() { std::transform(text_.begin(), text_.end(), text_.begin(), Upper); }
void String::trim() {
  std::size_t begin = 0, end = text_.size();
  while (begin < end && Blank(text_[begin])) ++begin;
  while (end > begin && Blank(text_[end - 1])) --end;
  text_ = text_.substr(begin, end - begin);
}

long String::toInt() const {
  return static_cast<std::int32_t>(std::strtol(text_.c_str(), nullptr, 10));
}
double String::toDouble() const { return std::strtod(text_.c_str(), nullptr); }

}  // namespace bytewitness
