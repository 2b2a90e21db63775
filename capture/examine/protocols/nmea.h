// NMEA 0183 sentences (from memory of NMEA 0183; cross-checked with python3-nmea2).
#pragma once

#include <cstddef>
#include <string>

#include "capture/base/bytes.h"

namespace witness::nmea {

// Size of the sentence that `bytes` begin with: '$' or '!', at most 82 characters with CR LF, XOR
// of what stands between '$' and '*' behind it. 0: none.
std::size_t SentenceAt(ByteView bytes);

// Whether a whole sentence behind a command is no answer to it: a talker's, not a maker's own, of a
// sort that the command does not name. Talkers speak by themselves; a query names what it wants
// ("$CCGPQ,GGA"; from memory).
bool ComesByItself(ByteView sentence, ByteView command);

// "NMEA 0183 RMC from GP"; `sentence` is a whole one.
std::string Describe(ByteView sentence);

}  // namespace witness::nmea
