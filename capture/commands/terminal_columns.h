// How wide the person's terminal is.
#pragma once

#include <cstddef>

namespace witness {

// Columns of the terminal behind a descriptor; 0 if there is none, or it does not tell.
std::size_t TerminalColumns(int descriptor);

}  // namespace witness
