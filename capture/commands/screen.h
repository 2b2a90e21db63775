// Lines and a progress line on the person's terminal, without one spoiling the other.
#pragma once

#include <string>

namespace witness {

class Screen {
 public:
  Screen();
  ~Screen();  // takes the progress line away
  Screen(const Screen&) = delete;
  Screen& operator=(const Screen&) = delete;

  bool out_is_terminal() const { return out_is_terminal_; }
  bool talk_is_terminal() const { return talk_is_terminal_; }
  // NO_COLOR unset (no-color.org) and standard output a terminal.
  bool colour() const { return colour_; }

  // A line on standard output (data) or standard error (talk); text is already safe.
  void Data(const std::string& line);
  void Talk(const std::string& line);
  // Shown in place, on standard error, only if it is a terminal. Empty: taken away.
  void Progress(const std::string& text);

 private:
  void Clear();
  bool out_is_terminal_;
  bool talk_is_terminal_;
  bool colour_;
  std::string progress_;
};

}  // namespace witness
