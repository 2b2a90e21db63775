// The keys of the person at the terminal, one by one, while bytes come and go.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace witness {

// Takes standard input out of line mode (no echo, keys at once; Ctrl-C still interrupts) and puts
// it back when destroyed.
class Keyboard {
 public:
  // Null: standard input is no terminal.
  static std::unique_ptr<Keyboard> Take();
  ~Keyboard();
  Keyboard(const Keyboard&) = delete;
  Keyboard& operator=(const Keyboard&) = delete;

  int descriptor() const { return 0; }  // for Driver::WatchReadable
  // What was typed since; false: the terminal is gone.
  bool Read(Bytes& typed);

 private:
  struct Saved;
  explicit Keyboard(std::unique_ptr<Saved> saved);
  std::unique_ptr<Saved> saved_;
};

// A line being typed: text, Left, Right, Home, End, Backspace, Delete, Ctrl-A, Ctrl-E, Ctrl-U (all
// away), Up and Down for earlier lines, Enter. Bytes of one UTF-8 letter are one step.
class TypedLine {
 public:
  // Takes keys; true when Enter completed a line, which is then in `line`. Keys behind Enter wait
  // for the next call with nothing new.
  bool Take(ByteView keys, std::string& line);
  const std::string& text() const { return text_; }
  // The text, safe to show, with U+258F where the next letter goes, if that is not the end.
  std::string Shown() const;

 private:
  void Key(char c);
  void Escape(char last);
  void Recall(std::size_t index);
  std::size_t Before(std::size_t at) const;
  std::size_t Behind(std::size_t at) const;

  std::string text_;
  std::size_t at_ = 0;  // where the next letter goes
  Bytes pending_;
  int escape_ = 0;  // inside an escape sequence: 1 after ESC, 2 after its introducer
  std::string parameter_;
  std::vector<std::string> earlier_;
  std::size_t shown_ = 0;  // index in earlier_; its size: the line being typed
};

}  // namespace witness
