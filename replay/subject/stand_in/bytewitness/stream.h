// Print and Stream, as sketches use them, and the virtual clock that they wait by.
//
// What each call does is what the AVR core's does (Print.cpp and Stream.cpp of Debian's
// arduino-core-avr): the timeout is 1000 ms unless setTimeout() says otherwise and counts from the
// last byte; readStringUntil() and readBytesUntil() take the terminator and leave it out; println()
// ends with CR LF; numbers have 32 bits.
#pragma once

#include <cstddef>
#include <cstdint>

#include "bytewitness/text.h"

namespace bytewitness {

// Virtual time. It stands still but for these calls and those of a stand-in: each look (read(),
// available(), millis(), ...) takes 4 µs, the step of the board's own micros() at 16 MHz, and a
// wait takes what it waits. Begins at 0 with the first stand-in of a test. One clock for each
// thread.
unsigned long millis();
unsigned long micros();
void delay(unsigned long milliseconds);
void delayMicroseconds(unsigned int microseconds);
void yield();

class Print;

// What can print itself.
class Printable {
 public:
  virtual ~Printable() = default;
  virtual std::size_t printTo(Print& to) const = 0;
};

// All give back how many bytes were written.
class Print {
 public:
  virtual ~Print() = default;

  virtual std::size_t write(std::uint8_t byte) = 0;
  virtual std::size_t write(const std::uint8_t* bytes, std::size_t size);
  std::size_t write(const char* text);
  std::size_t write(const char* bytes, std::size_t size) {
    return write(reinterpret_cast<const std::uint8_t*>(bytes), size);
  }
  std::size_t write(int byte) { return write(static_cast<std::uint8_t>(byte)); }
  // How many bytes can be written without waiting.
  virtual int availableForWrite() { return 0; }
  virtual void flush() {}
  int getWriteError() const { return error_; }
  void clearWriteError() { error_ = 0; }

  std::size_t print(const FlashText* text) { return write(reinterpret_cast<const char*>(text)); }
  std::size_t print(const String& text) { return write(text.c_str(), text.length()); }
  std::size_t print(const char* text) { return write(text); }
  std::size_t print(char c) { return write(static_cast<std::uint8_t>(c)); }
  std::size_t print(unsigned char number, int base = 10);
  std::size_t print(int number, int base = 10);
  std::size_t print(unsigned int number, int base = 10);
  std::size_t print(long number, int base = 10);
  std::size_t print(unsigned long number, int base = 10);
  std::size_t print(double number, int places = 2);
  std::size_t print(const Printable& thing) { return thing.printTo(*this); }

  std::size_t println() { return write("\r\n"); }
  template <typename... What>
  std::size_t println(const What&... what) {
    const std::size_t size = print(what...);
    return size + println();
  }

 protected:
  void setWriteError(int error = 1) { error_ = error; }

 private:
  int error_ = 0;
};

enum LookaheadMode {
  SKIP_ALL,         // whatever is no part of a number
  SKIP_NONE,        // nothing: the number has to begin at once
  SKIP_WHITESPACE,  // spaces, tabs, CR and LF
};

class Stream : public Print {
 public:
  virtual int available() = 0;
  virtual int read() = 0;  // -1: nothing is there
  virtual int peek() = 0;

  void setTimeout(unsigned long milliseconds) { timeout_ = milliseconds; }
  unsigned long getTimeout() const { return timeout_; }

  // True if `what` came before the timeout (and before `until`). All up to its end is taken.
  bool find(const char* what);
  bool find(const char* what, std::size_t size) { return findUntil(what, size, nullptr, 0); }
  bool find(const std::uint8_t* what) { return find(reinterpret_cast<const char*>(what)); }
  bool find(const std::uint8_t* what, std::size_t size) {
    return find(reinterpret_cast<const char*>(what), size);
  }
  bool find(char what) { return find(&what, 1); }
  bool findUntil(const char* what, const char* until);
  bool findUntil(const char* what, std::size_t size, const char* until, std::size_t until_size);

  // 0 if no number came. The first byte behind it is left in the stream.
  long parseInt(LookaheadMode skip = SKIP_ALL, char ignore = '\x01');
  float parseFloat(LookaheadMode skip = SKIP_ALL, char ignore = '\x01');

  // No NUL is put behind the bytes.
  std::size_t readBytes(char* buffer, std::size_t size);
  std::size_t readBytes(std::uint8_t* buffer, std::size_t size) {
    return readBytes(reinterpret_cast<char*>(buffer), size);
  }
  std::size_t readBytesUntil(char until, char* buffer, std::size_t size);
  std::size_t readBytesUntil(char until, std::uint8_t* buffer, std::size_t size) {
    return readBytesUntil(until, reinterpret_cast<char*>(buffer), size);
  }
  String readString();
  String readStringUntil(char until);

 protected:
  int timedRead();  // -1: the timeout is over
  int timedPeek();

 private:
  int PeekDigit(LookaheadMode skip, bool point);

  unsigned long timeout_ = 1000;  // ms
};

}  // namespace bytewitness
