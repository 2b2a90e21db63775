// Base64 (RFC 4648 section 4), of one run of bytes or piece by piece.
#pragma once

#include <string>
#include <string_view>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace witness {

std::string ToBase64(ByteView bytes);

// With padding; anything else than the alphabet is kDamaged, line ends and blanks too.
Result<Bytes> FromBase64(std::string_view text);

}  // namespace witness
