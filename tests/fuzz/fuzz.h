// What every fuzz target has: one function that is given bytes by libFuzzer or, in builds without
// it, by corpus_main.cc.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>

#include "capture/base/bytes.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace witness::fuzz {

inline ByteView View(const std::uint8_t* data, std::size_t size) {
  return ByteView(reinterpret_cast<const char*>(data), size);
}

// What must hold whatever the input. Ends the program, so that the fuzzer keeps the input.
inline void Must(bool holds, const char* what) {
  if (holds) return;
  std::fprintf(stderr, "does not hold: %s\n", what);
  std::abort();
}

// Takes an input apart from its front; zeros once it has run out.
class Input {
 public:
  Input(const std::uint8_t* data, std::size_t size) : rest_(View(data, size)) {}
  bool empty() const { return rest_.empty(); }
  std::uint8_t Byte() {
    if (rest_.empty()) return 0;
    const auto byte = static_cast<std::uint8_t>(rest_.front());
    rest_.remove_prefix(1);
    return byte;
  }
  std::uint32_t Word() {
    const std::uint32_t low = Byte();
    return low | std::uint32_t{Byte()} << 8;
  }
  ByteView Take(std::size_t size) {
    const ByteView taken = rest_.substr(0, size);
    rest_.remove_prefix(taken.size());
    return taken;
  }
  ByteView Rest() { return Take(rest_.size()); }

 private:
  ByteView rest_;
};

}  // namespace witness::fuzz
