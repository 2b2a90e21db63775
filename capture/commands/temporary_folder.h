// A folder for files that nobody is to keep: gone with the object.
#pragma once

#include <memory>
#include <string>

#include "capture/base/result.h"

namespace witness {

class TemporaryFolder {
 public:
  // In $TMPDIR, else /tmp; readable by its owner only.
  static Result<std::unique_ptr<TemporaryFolder>> Make();
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  const std::string& path() const { return path_; }

 private:
  explicit TemporaryFolder(std::string path) : path_(std::move(path)) {}
  std::string path_;
};

}  // namespace witness
