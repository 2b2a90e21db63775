// SHA-256 (FIPS 180-4) of bytes as they come.
#pragma once

#include <memory>

#include "capture/base/bytes.h"

namespace witness {

// Not thread-safe.
class Sha256 {
 public:
  Sha256();
  ~Sha256();
  Sha256(const Sha256&) = delete;
  Sha256& operator=(const Sha256&) = delete;

  void Update(ByteView bytes);
  // The 32 bytes of the digest. Nothing may be put in behind it.
  Bytes Finish();

  static Bytes Of(ByteView bytes);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace witness
