// What a capture may hold at most, so that no file can make a reader take memory without bound.
// FORMAT.md states the same figures; the writer stays below them.
#pragma once

#include <cstddef>
#include <cstdint>

namespace witness {

// Read at most this much.
inline constexpr std::size_t kMaxFieldBytes = std::size_t{4} << 20;   // a Header, Block or Trailer
inline constexpr std::size_t kMaxFrameBytes = std::size_t{64} << 20;  // a frame, decompressed
inline constexpr std::size_t kMaxIndexBytes = std::size_t{1} << 20;   // with all around it
inline constexpr unsigned kMaxWindowLog = 24;                         // 16 MiB
inline constexpr std::uint64_t kMaxBlockEvents = std::uint64_t{1} << 20;
inline constexpr std::size_t kMaxLanes = 16;
inline constexpr std::int64_t kMaxTime = std::int64_t{1} << 62;  // ns, 146 years either way
inline constexpr std::size_t kMaxTaps = 64;
// In a header or trailer, unknown ones too, with those of the messages in it.
inline constexpr std::size_t kMaxMessageFields = std::size_t{1} << 14;

// Written at most this much.
inline constexpr std::size_t kMaxEventBytes = std::size_t{1} << 20;
// An entry takes three varints of up to ten bytes.
inline constexpr std::size_t kMaxIndexEntries = std::size_t{1} << 15;
inline constexpr std::size_t kLiveBlockBytes = std::size_t{64} << 10;
inline constexpr std::size_t kLiveFrameBytes = std::size_t{96} << 10;
inline constexpr unsigned kLiveWindowLog = 17;

// First bytes of frames, RFC 8878 sections 3.1.1 and 3.1.2.
inline constexpr std::uint32_t kZstdMagic = 0xFD2FB528;
inline constexpr std::uint32_t kSkippableMagic = 0x184D2A50;  // low four bits are free
inline constexpr std::uint32_t kIndexMagic = 0x184D2A5B;

}  // namespace witness
