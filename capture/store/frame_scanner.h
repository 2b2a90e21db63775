// Walks a capture file frame by frame and gives the fields of Capture one by one; goes on behind
// damage. Proves nothing about the fields themselves: that is for whoever takes them.
//
// Memory is bounded by limits.h. Not thread-safe.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/byte_source.h"

namespace witness {

struct ScanItem {
  enum class Kind {
    kField,     // `field`, `content`; from the frame at `frame_offset`
    kFrameEnd,  // the frame is whole and its checksum agrees
    kSkipped,   // a skippable frame; `content` is all of it, if it is below 64 MiB, else empty
    kDamage,    // bytes from `frame_offset` on are wrong; `what` says how. The scan goes on behind
    kCut,       // the file ends inside a frame
    kEnd,       // the file ends between frames
    kFailed,    // `what`; the system would not read
  };
  Kind kind = Kind::kEnd;
  std::uint32_t field = 0;
  ByteView content;  // valid until the next call
  std::uint64_t frame_offset = 0;
  std::uint64_t end_offset = 0;  // kDamage: where the scan goes on; kFrameEnd, kSkipped: its end
  std::string what;
};

class FrameScanner {
 public:
  // `source` must outlive the scanner.
  static std::unique_ptr<FrameScanner> Create(ByteSource& source);
  virtual ~FrameScanner() = default;

  virtual ScanItem Next() = 0;

  // Goes on at `offset`, which must be the start of a frame.
  virtual void JumpTo(std::uint64_t offset) = 0;
};

}  // namespace witness
