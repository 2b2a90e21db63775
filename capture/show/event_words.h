// What happened to a line, in words: of events that are no bytes.
#pragma once

#include <string>

#include "capture/store/event.h"

namespace witness {

// "break", "RTS on, DTR off", "errors counted: 1 framing", "gap: the port went away, 12 ms", "pin
// B5 high"; of a note its text. Safe to print. Empty for bytes.
std::string EventWords(const Event& event);

}  // namespace witness
