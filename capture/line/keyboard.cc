#include "capture/line/keyboard.h"

#include <termios.h>
#include <unistd.h>

#include <cstdint>
#include <utility>

#include "capture/base/text.h"

namespace witness {

struct Keyboard::Saved {
  termios settings = {};
};

Keyboard::Keyboard(std::unique_ptr<Saved> saved) : saved_(std::move(saved)) {}

std::unique_ptr<Keyboard> Keyboard::Take() {
  auto saved = std::make_unique<Saved>();
  // A background job that touched the terminal's settings would be stopped.
  if (!isatty(0) || tcgetpgrp(0) != getpgrp() || tcgetattr(0, &saved->settings) != 0)
    return nullptr;
  termios keys = saved->settings;
  keys.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
  keys.c_cc[VMIN] = 1;
  keys.c_cc[VTIME] = 0;
  if (tcsetattr(0, TCSANOW, &keys) != 0) return nullptr;
  return std::unique_ptr<Keyboard>(new Keyboard(std::move(saved)));
}

Keyboard::~Keyboard() { tcsetattr(0, TCSANOW, &saved_->settings); }

bool Keyboard::Read(Bytes& typed) {
  char buffer[256];
  const ssize_t n = read(0, buffer, sizeof buffer);
  if (n <= 0) return false;
  typed.assign(buffer, static_cast<std::size_t>(n));
  return true;
}

bool TypedLine::Take(ByteView keys, std::string& line) {
  pending_ += keys;
  std::size_t used = 0;
  bool complete = false;
  while (used < pending_.size() && !complete) {
    const char c = pending_[used++];
    if (escape_ == 0 && (c == '\r' || c == '\n')) {
      if (!text_.empty() && (earlier_.empty() || earlier_.back() != text_))
        earlier_.push_back(text_);
      shown_ = earlier_.size();
      line = std::exchange(text_, std::string());
      at_ = 0;
      complete = true;
    } else {
      Key(c);
    }
  }
  pending_.erase(0, used);
  return complete;
}

void TypedLine::Key(char c) {
  const auto b = static_cast<std::uint8_t>(c);
  if (escape_ == 1) {
    escape_ = c == '[' || c == 'O' ? 2 : 0;
    parameter_.clear();
  } else if (escape_ == 2) {
    if (b >= 0x40 && b <= 0x7E) {  // final byte, ECMA-48 5.4
      escape_ = 0;
      Escape(c);
    } else if (parameter_.size() < 8) {
      parameter_ += c;
    }
  } else if (b == 0x7F || c == '\b') {
    const std::size_t from = Before(at_);
    text_.erase(from, at_ - from);
    at_ = from;
  } else if (b == 0x01) {
    at_ = 0;
  } else if (b == 0x05) {
    at_ = text_.size();
  } else if (b == 0x15) {
    text_.clear();
    at_ = 0;
  } else if (b == 0x1B) {
    escape_ = 1;
  } else if (b >= 0x20) {
    text_.insert(at_++, 1, c);
  }
}

void TypedLine::Escape(char last) {
  switch (last) {
    case 'A':
      if (shown_ > 0) Recall(shown_ - 1);
      break;
    case 'B':
      if (shown_ < earlier_.size()) Recall(shown_ + 1);
      break;
    case 'C':
      at_ = Behind(at_);
      break;
    case 'D':
      at_ = Before(at_);
      break;
    case 'H':
      at_ = 0;
      break;
    case 'F':
      at_ = text_.size();
      break;
    case '~':
      if (parameter_ == "3") text_.erase(at_, Behind(at_) - at_);
      if (parameter_ == "1" || parameter_ == "7") at_ = 0;
      if (parameter_ == "4" || parameter_ == "8") at_ = text_.size();
      break;
    default:
      break;
  }
}

void TypedLine::Recall(std::size_t index) {
  shown_ = index;
  text_ = index < earlier_.size() ? earlier_[index] : std::string();
  at_ = text_.size();
}

std::size_t TypedLine::Before(std::size_t at) const {
  if (at == 0) return 0;
  do --at;
  while (at > 0 && (static_cast<std::uint8_t>(text_[at]) & 0xC0) == 0x80);
  return at;
}

std::size_t TypedLine::Behind(std::size_t at) const {
  if (at >= text_.size()) return text_.size();
  do ++at;
  while (at < text_.size() && (static_cast<std::uint8_t>(text_[at]) & 0xC0) == 0x80);
  return at;
}

std::string TypedLine::Shown() const {
  if (at_ == text_.size()) return SafeName(text_);
  return SafeName(text_.substr(0, at_)) + "\u258F" + SafeName(text_.substr(at_));
}

}  // namespace witness
