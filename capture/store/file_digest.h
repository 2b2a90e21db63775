// The digest by which an exhibit and a report name a file.
#pragma once

#include <cstdint>
#include <string>

#include "capture/base/result.h"

namespace witness {

struct FileDigest {
  std::string sha256;  // lower-case hexadecimal
  std::uint64_t bytes = 0;
};

// Of the whole file, read in pieces. Errors: kNotFound, kIo.
Result<FileDigest> DigestOfFile(const std::string& path);

}  // namespace witness
