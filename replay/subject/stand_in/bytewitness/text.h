// String, as sketches use it, for code compiled on this computer.
//
// Calls, arguments and results are those of the AVR core's class (WString.h and WString.cpp of
// Debian's arduino-core-avr); where that one leaves something undefined, this one does nothing. It
// never runs out of memory. Numbers are taken as the board has them: a long has 32 bits.
#pragma once

#include <cstddef>
#include <string>

namespace bytewitness {

// Text in flash: on this computer it lies where all text lies. Made by the macro F() of sketch.h.
class FlashText;

class String {
 public:
  String() = default;
  String(const char* text) : text_(text != nullptr ? text : "") {}  // NOLINT: converts, as there
  String(const FlashText* text) : String(reinterpret_cast<const char*>(text)) {}  // NOLINT
  explicit String(const std::string& text) : text_(text) {}
  explicit String(char c) : text_(1, c) {}
  explicit String(unsigned char number, unsigned char base = 10);
  explicit String(int number, unsigned char base = 10);
  explicit String(unsigned int number, unsigned char base = 10);
  explicit String(long number, unsigned char base = 10);
  explicit String(unsigned long number, unsigned char base = 10);
  explicit String(float number, unsigned char places = 2);
  explicit String(double number, unsigned char places = 2);

  bool reserve(unsigned size);
  unsigned length() const { return static_cast<unsigned>(text_.size()); }
  const char* c_str() const { return text_.c_str(); }
  explicit operator bool() const { return true; }
  const std::string& text() const { return text_; }  // for the test

  bool concat(const String& more);
  bool concat(const char* more);
  bool concat(const FlashText* more) { return concat(reinterpret_cast<const char*>(more)); }
  bool concat(char c);
  template <typename Number>
  bool concat(Number number) {
    return concat(String(number));
  }
  String& operator+=(const String& more) { return concat(more), *this; }
  String& operator+=(const char* more) { return concat(more), *this; }
  String& operator+=(const FlashText* more) { return concat(more), *this; }
  String& operator+=(char c) { return concat(c), *this; }
  template <typename Number>
  String& operator+=(Number number) {
    return concat(number), *this;
  }

  int compareTo(const String& other) const { return text_.compare(other.text_); }
  bool equals(const String& other) const { return text_ == other.text_; }
  bool equals(const char* other) const { return text_ == (other != nullptr ? other : ""); }
  bool equalsIgnoreCase(const String& other) const;
  bool startsWith(const String& start, unsigned from = 0) const;
  bool endsWith(const String& end) const;

  // Outside of the text: NUL, and a write goes nowhere.
  char charAt(unsigned index) const { return (*this)[index]; }
  void setCharAt(unsigned index, char c);
  char operator[](unsigned index) const { return index < text_.size() ? text_[index] : '\0'; }
  char& operator[](unsigned index);
  // At most `size` - 1 bytes and a NUL.
  void getBytes(unsigned char* buffer, unsigned size, unsigned from = 0) const;
  void toCharArray(char* buffer, unsigned size, unsigned from = 0) const {
    getBytes(reinterpret_cast<unsigned char*>(buffer), size, from);
  }
  char* begin() { return text_.data(); }
  char* end() { return text_.data() + text_.size(); }
  const char* begin() const { return text_.data(); }
  const char* end() const { return text_.data() + text_.size(); }

  // -1: not there.
  int indexOf(char c, unsigned from = 0) const;
  int indexOf(const String& what, unsigned from = 0) const;
  int lastIndexOf(char c) const { return lastIndexOf(c, length() - 1); }
  int lastIndexOf(char c, unsigned from) const;
  int lastIndexOf(const String& what) const { return lastIndexOf(what, length() - what.length()); }
  int lastIndexOf(const String& what, unsigned from) const;
  // Limits the wrong way round are swapped.
  String substring(unsigned from) const { return substring(from, length()); }
  String substring(unsigned from, unsigned to) const;

  void replace(char what, char by);
  void replace(const String& what, const String& by);
  void remove(unsigned from) { remove(from, ~0u); }
  void remove(unsigned from, unsigned count);
  void toLowerCase();
  void toUpperCase();
  void trim();

  // 0 if the text does not begin with a number.
  long toInt() const;
  float toFloat() const { return static_cast<float>(toDouble()); }
  double toDouble() const;

 private:
  std::string text_;
};

inline bool operator==(const String& a, const String& b) { return a.equals(b); }
inline bool operator==(const String& a, const char* b) { return a.equals(b); }
inline bool operator<(const String& a, const String& b) { return a.compareTo(b) < 0; }
inline bool operator>(const String& a, const String& b) { return a.compareTo(b) > 0; }
inline bool operator<=(const String& a, const String& b) { return a.compareTo(b) <= 0; }
inline bool operator>=(const String& a, const String& b) { return a.compareTo(b) >= 0; }

template <typename More>
String operator+(String text, const More& more) {
  text += more;
  return text;
}
inline String operator+(String text, const char* more) { return text += more, text; }
inline String operator+(const char* text, const String& more) { return String(text) + more; }

}  // namespace bytewitness
