// SLIP: RFC 1055.
#pragma once

#include <cstddef>
#include <optional>
#include <string>

#include "capture/base/bytes.h"

namespace witness::slip {

// Size of the packet that `bytes` begin with, its END included (and one END in front, which senders
// put there to flush noise). 0: none.
std::size_t PacketAt(ByteView bytes);

// The packet's data with escapes undone; nothing if an escape is not one of RFC 1055.
std::optional<Bytes> Decode(ByteView packet);

std::string Describe(ByteView packet);

}  // namespace witness::slip
