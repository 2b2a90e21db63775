// Walks a capture file frame by frame and gives the fields of Capture one by one; goes on behind
// damage. Proves nothing about the fields themselves: that is for whoever takes them.
//
// Memory is bounded by limits.h. Not thread-safe.
#pragma once

#include <cstdint>
#include <cstdlib>
#include <memory>
#include <span>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/byte_source.h"
#include "capture/store/event_batch.h"

namespace witness {

struct BlockFacts;  // block_decoder.h

struct ScanItem {
  enum class Kind {
    kField,     // `field`, `content`; from the frame at `frame_offset`
    kFrameEnd,  // the frame is whole and its checksum agrees
    kSkipped,   // a skippable frame; `content` is all of it; empty if it is larger than an index
    kDamage,    // bytes from `frame_offset` on are wrong; `what` says how. The scan goes on behind
    kCut,       // the file ends inside a frame
    kEnd,       // the file ends between frames
    kFailed,    // `what`; the system would not read
    kMade,      // events of the block before, see ScanAhead(); of no scanner
  };
  Kind kind = Kind::kEnd;
  std::uint32_t field = 0;
  ByteView content;  // valid until the next call
  std::uint64_t frame_offset = 0;
  std::uint64_t end_offset = 0;  // kDamage: where the scan goes on; kFrameEnd, kSkipped: its end
  std::string what;
  // Of a block whose events follow as kMade.
  const BlockFacts* facts = nullptr;
  std::span<BriefEvent> made;  // kMade
};

class ItemSource {
 public:
  virtual ~ItemSource() = default;
  // Behind kEnd: kEnd again.
  virtual ScanItem Next() = 0;
};

struct FreeBytes {
  void operator()(char* bytes) const { std::free(bytes); }
};

// Where the contents of items lie; as long as somebody else holds it too, they stay valid.
struct ScanMemory {
  std::unique_ptr<char[], FreeBytes> bytes;
  std::size_t room = 0;
};

class FrameScanner : public ItemSource {
 public:
  // `source` must outlive the scanner.
  static std::unique_ptr<FrameScanner> Create(ByteSource& source);

  // Goes on at `offset`, which must be the start of a frame.
  virtual void JumpTo(std::uint64_t offset) = 0;

  // True: the next item is there without reading or decompressing anything, and what was given
  // before stays valid when it is taken.
  virtual bool Ready() const = 0;

  // That of fields given last. To be held and let go by the thread that calls Next() only.
  virtual std::shared_ptr<const ScanMemory> memory() const = 0;
};

}  // namespace witness
