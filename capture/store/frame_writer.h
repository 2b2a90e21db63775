// Packs the fields of a Capture into zstd frames and hands them to a sink; keeps what the trailer
// and the index need to know. Not thread-safe.
#pragma once

#include <cstdint>
#include <memory>
#include <span>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/messages.h"
#include "capture/store/sink.h"

namespace witness {

struct FrameSettings {
  int level = 3;
  unsigned window_log = 17;
};

class FrameWriter {
 public:
  // `sink` must outlive the writer.
  static Result<std::unique_ptr<FrameWriter>> Create(Sink& sink, const FrameSettings& settings);
  virtual ~FrameWriter() = default;

  // Puts one field of Capture into the open frame, opening one if there is none. `content` is the
  // message in it. At each of `borders` (ascending places in `content`) compression begins a new
  // table of statistics.
  virtual Status Put(std::uint32_t field, ByteView content,
                     std::span<const std::size_t> borders = {}) = 0;
  // As Put, for a Block: counts it for the trailer and the index.
  virtual Status PutBlock(ByteView content, const IndexEntry& place, std::uint64_t events,
                          std::span<const std::size_t> borders = {}) = 0;

  // All that was put can be read from the sink from here on. Costs some bytes.
  virtual Status Flush() = 0;
  // Ends the open frame, if there is one.
  virtual Status EndFrame() = 0;
  // Of the frames that are yet to be opened.
  virtual void SetLevel(int level) = 0;
  // Decompressed bytes in the open frame.
  virtual std::size_t frame_bytes() const = 0;
  virtual std::uint64_t written() const = 0;

  // Ends the open frame and writes trailer and index. `facts` needs bytes and end only.
  virtual Status Finish(TrailerFacts facts) = 0;
};

}  // namespace witness
