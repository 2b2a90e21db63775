// A framing that a person describes: how frames of an unknown protocol begin, end and are checked.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace witness {

struct FrameRule {
  struct LengthField {
    std::size_t offset = 0;  // from the first byte of the frame
    std::size_t size = 1;    // bytes, 1 to 4
    bool big_endian = false;
    std::int64_t adds = 0;  // size of the whole frame = value of the field + this
  };
  struct Check {
    std::string name;        // of AllChecksums()
    std::size_t from = 0;    // first byte of the frame that it covers
    std::size_t behind = 0;  // bytes of the frame behind it (an end mark)
    bool big_endian = false;
  };
  std::string name;
  Bytes start;                         // empty: none
  Bytes end;                           // empty: none
  std::optional<std::uint8_t> escape;  // the byte behind it is data, whatever it is
  std::uint8_t escape_xor = 0;         // what that byte was combined with
  std::size_t fixed_size = 0;          // of the whole frame; 0: not fixed
  std::optional<LengthField> length;
  std::optional<Check> check;
  std::size_t longest = 4096;
};

// Whether the rule tells where a frame ends and its checksum is known.
Status CheckRule(const FrameRule& rule);

// Size of the frame that `bytes` begin with; 0: none.
std::size_t FrameAt(const FrameRule& rule, ByteView bytes);

}  // namespace witness
