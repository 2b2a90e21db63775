// The core's names for a sketch that is compiled on this computer: see bytewitness/sketch.h.
#pragma once

#include "bytewitness/sketch.h"
