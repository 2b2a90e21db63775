// Protobuf's wire encoding by hand, for the parts of a capture that must be fast (blocks).
// Source: protobuf.dev/programming-guides/encoding: varints, tags, length-delimited fields.
#pragma once

#include <cstdint>
#include <cstring>

#include "capture/base/bytes.h"

namespace witness {

enum class WireType : std::uint8_t { kVarint = 0, kFixed64 = 1, kBytes = 2, kFixed32 = 5 };

constexpr std::uint32_t WireTag(std::uint32_t field, WireType type) {
  return field << 3 | static_cast<std::uint32_t>(type);
}

constexpr std::uint64_t ZigZag(std::int64_t v) {
  return static_cast<std::uint64_t>(v) << 1 ^ static_cast<std::uint64_t>(v >> 63);
}
constexpr std::int64_t UnZigZag(std::uint64_t v) {
  return static_cast<std::int64_t>(v >> 1) ^ -static_cast<std::int64_t>(v & 1);
}

inline std::size_t VarintSize(std::uint64_t v) {
  return (static_cast<std::size_t>(63 - __builtin_clzll(v | 1)) * 9 + 73) / 64;
}

inline void AppendVarint(Bytes& out, std::uint64_t v) {
  while (v >= 0x80) {
    out += static_cast<char>(v | 0x80);
    v >>= 7;
  }
  out += static_cast<char>(v);
}

// A field of its default value is left out, as proto3 does.
inline void AppendVarintField(Bytes& out, std::uint32_t field, std::uint64_t v) {
  if (v == 0) return;
  AppendVarint(out, WireTag(field, WireType::kVarint));
  AppendVarint(out, v);
}

inline void AppendBytesHead(Bytes& out, std::uint32_t field, std::size_t size) {
  AppendVarint(out, WireTag(field, WireType::kBytes));
  AppendVarint(out, size);
}

inline void AppendBytesField(Bytes& out, std::uint32_t field, ByteView bytes) {
  if (bytes.empty()) return;
  AppendBytesHead(out, field, bytes.size());
  out += bytes;
}

inline void AppendLittle32(Bytes& out, std::uint32_t v) {
  for (int i = 0; i < 4; ++i) out += static_cast<char>(v >> 8 * i);
}

// `p` needs four bytes.
inline std::uint32_t Little32(const char* p) {
  const auto* b = reinterpret_cast<const std::uint8_t*>(p);
  return std::uint32_t{b[0]} | std::uint32_t{b[1]} << 8 | std::uint32_t{b[2]} << 16 |
         std::uint32_t{b[3]} << 24;
}

// Takes bytes apart from the front. The views it gives are parts of the view it was made of.
class WireCursor {
 public:
  explicit WireCursor(ByteView bytes) : p_(bytes.data()), end_(bytes.data() + bytes.size()) {}

  bool done() const { return p_ == end_; }
  const char* position() const { return p_; }
  std::size_t left() const { return static_cast<std::size_t>(end_ - p_); }

  // False: the varint is longer than ten bytes, above 64 bits, or not all there.
  bool Varint(std::uint64_t& v) {
    v = 0;
    for (unsigned shift = 0; shift < 64; shift += 7) {
      if (p_ == end_) return false;
      const auto b = static_cast<std::uint8_t>(*p_++);
      if (shift == 63 && b > 1) return false;
      v |= std::uint64_t{b & 0x7Fu} << shift;
      if (b < 0x80) return true;
    }
    return false;
  }

  bool Take(std::uint64_t size, ByteView& bytes) {
    if (size > left()) return false;
    bytes = ByteView(p_, static_cast<std::size_t>(size));
    p_ += size;
    return true;
  }

 private:
  const char* p_;
  const char* end_;
};

// One field of a message: `number` and, by type, `value` (varint, fixed) or `bytes`.
struct WireField {
  std::uint32_t number = 0;
  WireType type = WireType::kVarint;
  std::uint64_t value = 0;
  ByteView bytes;
  const char* start = nullptr;  // of its tag
};

// False: the bytes are no valid field. Groups (long out of use) count as invalid.
bool NextField(WireCursor& cursor, WireField& field);

}  // namespace witness
