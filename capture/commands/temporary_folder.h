// A folder for files that nobody is to keep: gone with the object, and if the person ends the
// program. Files in it are named "0", "1" and so on (leftover.h).
#pragma once

#include <memory>
#include <string>

#include "capture/base/result.h"
#include "capture/commands/leftover.h"

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
  explicit TemporaryFolder(std::string path) : path_(std::move(path)), leftover_(path_) {}
  std::string path_;
  Leftover leftover_;
};

}  // namespace witness
