#include "capture/commands/temporary_folder.h"

#include <stdlib.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

namespace witness {

Result<std::unique_ptr<TemporaryFolder>> TemporaryFolder::Make() {
  std::error_code error;
  const auto base = std::filesystem::temp_directory_path(error);
  std::string name = (error ? std::string("/tmp") : base.string()) + "/bytewitness-XXXXXX";
  if (::mkdtemp(name.data()) == nullptr)
    return Status(Code::kIo, name + ": cannot be made: " + std::strerror(errno));
  return std::unique_ptr<TemporaryFolder>(new TemporaryFolder(name));
}

TemporaryFolder::~TemporaryFolder() {
  std::error_code error;
  std::filesystem::remove_all(path_, error);
}

}  // namespace witness
