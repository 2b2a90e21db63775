// HDLC-like framing: RFC 1662 (flag 7E, escape 7D with exclusive-or 20, FCS-16 or FCS-32).
#pragma once

#include <cstddef>
#include <optional>
#include <string>

#include "capture/base/bytes.h"

namespace witness::hdlc {

// Size of the frame that `bytes` begin with, flags included (the opening one may be missing if the
// frame before shared it). 0: none, or its check sequence fits neither FCS-16 nor FCS-32.
std::size_t FrameAt(ByteView bytes);

// Frame without flags, escapes undone, FCS still there; nothing if escaping is broken.
std::optional<Bytes> Decode(ByteView frame);

std::string Describe(ByteView frame);

}  // namespace witness::hdlc
