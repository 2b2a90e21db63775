#include "capture/store/wire.h"

namespace witness {

bool NextField(WireCursor& cursor, WireField& field) {
  field.start = cursor.position();
  std::uint64_t tag = 0;
  if (!cursor.Varint(tag) || tag > 0xFFFFFFFF || tag >> 3 == 0) return false;
  field.number = static_cast<std::uint32_t>(tag >> 3);
  field.type = static_cast<WireType>(tag & 7);
  field.bytes = {};
  field.value = 0;
  switch (field.type) {
    case WireType::kVarint:
      return cursor.Varint(field.value);
    case WireType::kBytes: {
      std::uint64_t size = 0;
      return cursor.Varint(size) && cursor.Take(size, field.bytes);
    }
    case WireType::kFixed32: {
      ByteView four;
      if (!cursor.Take(4, four)) return false;
      field.value = Little32(four.data());
      return true;
    }
    case WireType::kFixed64: {
      ByteView eight;
      if (!cursor.Take(8, eight)) return false;
      field.value = Little32(eight.data()) | std::uint64_t{Little32(eight.data() + 4)} << 32;
      return true;
    }
  }
  return false;
}

}  // namespace witness
