// Writes a capture in large frames, as it is on a closed file.
#pragma once

#include <cstdint>
#include <memory>

#include "capture/base/result.h"
#include "capture/store/capture_reader.h"
#include "capture/store/sink.h"

namespace witness {

struct PackSettings {
  int level = 9;
  unsigned window_log = 22;
  std::size_t block_bytes = std::size_t{1} << 20;  // about; decompressed
  std::size_t frame_bytes = std::size_t{4} << 20;  // a frame is ended as soon as it is that large

  // For a recording's close: quick, and any place in the capture can be jumped to in little time.
  static PackSettings Everyday() { return PackSettings{}; }
  // For the archive: as small as it gets; slow to write, as quick to read.
  static PackSettings Best();
};

// Not thread-safe.
class Packer {
 public:
  // Writes the header. `sink` must outlive the packer.
  static Result<std::unique_ptr<Packer>> Create(Sink& sink, const CaptureInfo& info,
                                                const PackSettings& settings);
  virtual ~Packer() = default;

  // Times must not decrease.
  virtual Status Add(const Event& event) = 0;
  // Writes trailer and index. The sink is left open.
  virtual Status Finish(Instant end) = 0;
};

// Writes all that `reader` gives, damage as gaps, into `sink`; syncs and closes the sink.
Status Pack(CaptureReader& reader, const CaptureInfo& info, Sink& sink,
            const PackSettings& settings);

}  // namespace witness
