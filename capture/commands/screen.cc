#include "capture/commands/screen.h"

#include <unistd.h>

#include <cstdio>

#include "capture/commands/command.h"
#include "capture/commands/terminal_columns.h"

namespace witness {
namespace {

// Cuts to what the terminal's width shows, so that a progress line never wraps. Counts a UTF-8
// letter as one column.
std::string Cut(const std::string& text) {
  const std::size_t columns_there = TerminalColumns(STDERR_FILENO);
  const std::size_t width = columns_there > 1 ? columns_there - 1 : 79;
  std::size_t columns = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if ((static_cast<unsigned char>(text[i]) & 0xC0) == 0x80) continue;
    if (columns++ == width) return text.substr(0, i);
  }
  return text;
}

}  // namespace

Screen::Screen()
    : out_is_terminal_(isatty(1) != 0), talk_is_terminal_(isatty(2) != 0), colour_(false) {
  colour_ = ColorsWanted();
}

Screen::~Screen() { Clear(); }

void Screen::Clear() {
  if (progress_.empty()) return;
  std::fputs("\r\x1b[K", stderr);
  std::fflush(stderr);
}

void Screen::Data(const std::string& line) {
  Clear();
  std::fputs((line + "\n").c_str(), stdout);
  std::fflush(stdout);
  if (!progress_.empty()) std::fputs(progress_.c_str(), stderr);
}

void Screen::Talk(const std::string& line) {
  Clear();
  std::fputs((line + "\n").c_str(), stderr);
  if (!progress_.empty()) std::fputs(progress_.c_str(), stderr);
}

void Screen::Progress(const std::string& text) {
  if (!talk_is_terminal_) return;
  Clear();
  progress_ = Cut(text);
  std::fputs(progress_.c_str(), stderr);
  std::fflush(stderr);
}

}  // namespace witness
