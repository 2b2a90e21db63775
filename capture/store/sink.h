// Where a capture's bytes go. Tests put faulty ones in the file's place.
#pragma once

#include <memory>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"

namespace witness {

class Sink {
 public:
  virtual ~Sink() = default;
  // All of `bytes` or an error; after an error nothing more may be written.
  virtual Status Write(ByteView bytes) = 0;
  // On return what was written before the call survives a power loss. May take long; may be called
  // on another thread while Write is going on.
  virtual Status Sync() = 0;
  virtual Status Close() = 0;
};

// Creates `path`. An existing file is replaced only if `replace`.
Result<std::unique_ptr<Sink>> OpenFileSink(const std::string& path, bool replace);

// Appends to `out`, which must outlive the sink.
std::unique_ptr<Sink> OpenMemorySink(Bytes& out);

}  // namespace witness
