// A path in the folder for temporary files that is this process's alone: tests run beside each
// other, and beside another user's.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <string>

namespace witness {

// `name` says what the file is; the caller removes it.
inline std::string TemporaryPath(const std::string& name) {
  return ::testing::TempDir() + "bytewitness-" + std::to_string(::getpid()) + "-" + name;
}

}  // namespace witness
