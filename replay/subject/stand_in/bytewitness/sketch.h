// The names that a sketch expects, so that its source compiles on this computer as it stands: with
// it a test includes the .ino file itself. What is here are names of the AVR core; behind them are
// stand-ins:
//
//   #include "butt_watch.ino"          // has SoftwareSerial radio(10, 11);
//   bytewitness::StandIn module("sedge-b.textproto");
//   radio.wire(module);
//   setup();
//   loop();
//   EXPECT_NE(Serial.written().find("signal -71"), std::string::npos);
//
// One source file of a program may hold one sketch. Its variables live as long as the program; run
// each test in a process of its own (gtest_discover_tests does), so that they begin anew.
// An int has 32 bits here and 16 on the board. Pins keep what was written to them, nothing else.
#pragma once

#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <map>
#include <memory>

#include "bytewitness/stand_in.h"

using bytewitness::delay;
using bytewitness::delayMicroseconds;
using bytewitness::LookaheadMode;
using bytewitness::micros;
using bytewitness::millis;
using bytewitness::Print;
using bytewitness::Printable;
using bytewitness::SKIP_ALL;
using bytewitness::SKIP_NONE;
using bytewitness::SKIP_WHITESPACE;
using bytewitness::Stream;
using bytewitness::String;
using bytewitness::yield;
using __FlashStringHelper = bytewitness::FlashText;

using boolean = bool;
using byte = std::uint8_t;
using word = unsigned int;

#define F(text) (reinterpret_cast<const ::bytewitness::FlashText*>(text))
#define PSTR(text) (text)
#define PROGMEM
#define pgm_read_byte(at) (*reinterpret_cast<const unsigned char*>(at))
#define strlen_P std::strlen
#define strcmp_P std::strcmp
#define strncmp_P std::strncmp
#define strstr_P std::strstr
#define strcpy_P std::strcpy
#define memcpy_P std::memcpy

constexpr int DEC = 10, HEX = 16, OCT = 8, BIN = 2;
constexpr std::uint8_t LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1, INPUT_PULLUP = 2;
constexpr std::uint8_t LED_BUILTIN = 13;
constexpr std::uint8_t A0 = 14, A1 = 15, A2 = 16, A3 = 17, A4 = 18, A5 = 19;
constexpr std::uint8_t SERIAL_8N1 = 0x06;

namespace bytewitness {

inline std::map<int, int> pins;  // levels by number, as written; a test may write them too

// A port of the board. Nothing is on it until a test wires a stand-in to it; then it only keeps
// what the sketch writes. Deaf and dumb until begin().
class BoardPort : public Stream {
 public:
  explicit BoardPort(bool software) : software_(software) {}
  // `module` must outlive the use of this port, or be followed by another one.
  void wire(StandIn& module) {
    module_ = &module;
    module_->like_software_port(software_);
    module_->set_listening(false);
  }
  std::string written() const { return written_; }
  // Forgets what was written and what is wired.
  void clear() {
    if (hearing_ == this) hearing_ = nullptr;
    *this = BoardPort(software_);
  }

  void begin(unsigned long baud, std::uint8_t format = SERIAL_8N1) {
    open_ = true;
    if (module_ != nullptr) module_->begin(baud, format);
    listen();
  }
  void end() {
    open_ = false;
    if (module_ != nullptr) module_->set_listening(false);
  }
  // Of several software ports one hears.
  bool listen() {
    if (!open_) return false;
    if (software_) {
      if (hearing_ == this) return false;
      if (hearing_ != nullptr) hearing_->stopListening();
      hearing_ = this;
    }
    if (module_ != nullptr) module_->set_listening(true);
    return true;
  }
  bool isListening() const { return open_ && (!software_ || hearing_ == this); }
  bool stopListening() {
    if (!software_ || hearing_ != this) return false;
    hearing_ = nullptr;
    if (module_ != nullptr) module_->set_listening(false);
    return true;
  }
  bool overflow() {
    const std::size_t now = module_ != nullptr ? module_->lost() : 0;
    const bool more = now > told_;
    told_ = now;
    return more;
  }

  int available() override { return Heard() ? module_->available() : Nothing(0); }
  int read() override { return Heard() ? module_->read() : Nothing(-1); }
  int peek() override { return Heard() ? module_->peek() : Nothing(-1); }
  std::size_t write(std::uint8_t byte) override {
    if (!open_) return 0;
    written_ += static_cast<char>(byte);
    return module_ != nullptr ? module_->write(byte) : 1;
  }
  using Print::write;
  int availableForWrite() override {
    return module_ != nullptr ? module_->availableForWrite() : 63;
  }
  void flush() override {
    if (module_ != nullptr) module_->flush();
  }
  explicit operator bool() const { return open_; }

 private:
  bool Heard() const { return module_ != nullptr && isListening(); }
  static int Nothing(int answer) {
    yield();
    return answer;
  }

  static inline BoardPort* hearing_ = nullptr;
  bool software_ = false;
  bool open_ = false;
  StandIn* module_ = nullptr;
  std::size_t told_ = 0;
  std::string written_;
};

}  // namespace bytewitness

class HardwareSerial : public bytewitness::BoardPort {
 public:
  HardwareSerial() : BoardPort(false) {}
};
class SoftwareSerial : public bytewitness::BoardPort {
 public:
  SoftwareSerial(std::uint8_t, std::uint8_t, bool = false) : BoardPort(true) {}
};
inline HardwareSerial Serial, Serial1, Serial2, Serial3;

inline void pinMode(std::uint8_t, std::uint8_t) {}
inline void digitalWrite(std::uint8_t pin, std::uint8_t level) { bytewitness::pins[pin] = level; }
inline int digitalRead(std::uint8_t pin) { return bytewitness::pins[pin]; }
inline int analogRead(std::uint8_t pin) { return bytewitness::pins[pin]; }
inline void analogWrite(std::uint8_t pin, int value) { bytewitness::pins[pin] = value; }
inline void interrupts() {}
inline void noInterrupts() {}

template <typename A, typename B>
constexpr auto min(const A& a, const B& b) {
  return a < b ? a : b;
}
template <typename A, typename B>
constexpr auto max(const A& a, const B& b) {
  return a > b ? a : b;
}
template <typename Value, typename Low, typename High>
constexpr Value constrain(const Value& value, const Low& low, const High& high) {
  return value < low ? static_cast<Value>(low) : value > high ? static_cast<Value>(high) : value;
}
constexpr long map(long x, long from_low, long from_high, long to_low, long to_high) {
  return (x - from_low) * (to_high - to_low) / (from_high - from_low) + to_low;
}
