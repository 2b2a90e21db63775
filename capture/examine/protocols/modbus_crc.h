// CRC-16/MODBUS: polynomial 8005 with bits reversed, from FFFF, low byte first (Modbus over Serial
// Line V1.02, appendix B).
#pragma once

#include "capture/base/bytes.h"

namespace witness::modbus {

constexpr unsigned kCrcStart = 0xffff;

// What the CRC of some bytes becomes with one more behind them.
unsigned AddToCrc(unsigned crc, char c);

// Whether the last two of four bytes or more are the CRC of those before them.
bool CrcFits(ByteView frame);

// The same, without what only some processors can do.
bool CrcFitsByTable(ByteView frame);

}  // namespace witness::modbus
