// From what the observers of a session have written down to remarks in words, with their evidence.
// Pure: reads the log, adds to `seen.remarks`.
#pragma once

#include "replay/subject/sketch/session.h"

namespace trial {

// Kinds of remarks made here, beside those that subjects share (observations.h):
//  "overrun"    bytes of a reply lost, in the UART or in the core's receive buffer
//  "missed"     a software port listened but was busy; "sending": busy with sending
//  "garbled"    bytes came as other values; "framing": with a framing error
//  "deaf"       the software port of the module's line was not the one that listens
//  "off"        said before the sketch had opened the port
//  "unheard"    any of these, of an echo, an unsolicited line or line endings only: no fault by
//  itself; "stray": a line ending that the sketch was given as another byte
//  "cut"        the sketch changed or closed its port while it was still sending "elsewhere"
//  it said nothing that the module knows, but has a port somewhere else "unread"     bytes of a
//  reply lay in the receive buffer when the next command was sent "wait"       the sketch sat in a
//  reading call for long after a reply had ended; count: ms "rate"       the sketch's port is set
//  to another rate than the module "talk"       where it is taken to print, if nobody said "reset"
//  started anew; "stack": the stack ran into the variables
void AddFindings(const Board& board, const BoardLine& module, const Places& places,
                 const SessionLog& log, const SketchSettings& settings, const Part& part,
                 Observations& seen);

// "delay(), called from loop()"; "an unknown place" for id 0.
std::string PlaceWords(const Places& places, std::uint32_t id);

}  // namespace trial
