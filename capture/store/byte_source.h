// Random access to the bytes of a capture: a file or memory. Files may grow meanwhile.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace witness {

class ByteSource {
 public:
  virtual ~ByteSource() = default;

  // Up to `size` bytes from `offset` on; fewer only where the source ends. The view is valid until
  // the next call. Size is bounded by the caller.
  virtual Result<ByteView> View(std::uint64_t offset, std::size_t size) = 0;

  // As of now.
  virtual Result<std::uint64_t> Size() = 0;
};

// kNotFound, kIo, kInvalidArgument (a folder).
Result<std::unique_ptr<ByteSource>> OpenFileSource(const std::string& path);
// `bytes` must outlive the source.
std::unique_ptr<ByteSource> OpenMemorySource(ByteView bytes);

}  // namespace witness
