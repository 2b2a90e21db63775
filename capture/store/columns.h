// Columns of numbers in a block, taken apart many at a time.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <vector>

#include "capture/base/bytes.h"

namespace witness {

// Of a column of bytes.
std::uint64_t SumOf(ByteView column);

// to[i] = a[i] + 2^8 b[i] + 2^16 c[i] + 2^24 d[i] for each i below `count`, of columns a, b, c, d.
// A null column is all zeros.
void JoinColumns(const std::array<const std::uint8_t*, 4>& columns, std::size_t count,
                 std::uint32_t* to);

// Packed varints (protobuf) become `to`. False: they are no such, one does not fit T, or they are
// more than `limit`.
template <typename T>
bool TakePacked(ByteView bytes, std::size_t limit, std::vector<T>& to);

extern template bool TakePacked(ByteView, std::size_t, std::vector<std::uint32_t>&);
extern template bool TakePacked(ByteView, std::size_t, std::vector<std::uint64_t>&);

}  // namespace witness
