// The conversation as it happens, as lines for a terminal. Does no I/O: events and the time go in,
// safe text comes out.
//
// A line holds what one side said until the other side spoke, an LF came, or nothing came for
// kQuiet. What is missing at its end is visible (U+2205), silences stand between rulings.
#pragma once

#include <functional>
#include <string>

#include "capture/store/event.h"

namespace witness {

class LiveView {
 public:
  static constexpr Duration kQuiet = Duration::Milliseconds(50);
  static constexpr Duration kSilenceShown = Duration::Seconds(1);
  static constexpr std::size_t kLongest = 96;  // bytes on one line

  // `print` gets one whole line at a time, without a newline.
  // `bytes`: false shows only what else happens on the line, for runs over days.
  LiveView(bool colour, std::function<void(const std::string&)> print, bool bytes = true);

  void OnEvent(const Event& event);
  // Prints what has been waiting for kQuiet; NextTick says when to call, Never if nothing waits.
  void Tick(Instant now);
  Instant NextTick() const;
  void Flush();
  // Times begin anew: another file of the same recording.
  void Restart();

 private:
  void Emit(const std::string& text, Side side, Instant at);

  bool colour_;
  bool bytes_shown_;
  std::function<void(const std::string&)> print_;
  Bytes waiting_;
  Side side_ = Side::kUnknown;
  Instant from_;
  Instant last_;
  bool any_ = false;
};

}  // namespace witness
