#include "capture/commands/capture_input.h"

#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>

#include "capture/base/text.h"
#include "capture/commands/command.h"

namespace witness {

Result<std::unique_ptr<TextOutput>> TextOutput::Open(const std::string& path) {
  if (path.empty() || path == "-")
    return std::unique_ptr<TextOutput>(new TextOutput(stdout, "standard output"));
  std::FILE* file = std::fopen(path.c_str(), "wb");
  if (file == nullptr)
    return Status(errno == ENOENT ? Code::kNotFound : Code::kIo,
                  path + ": cannot be written: " + std::strerror(errno));
  return std::unique_ptr<TextOutput>(new TextOutput(file, path));
}

TextOutput::~TextOutput() {
  if (file_ != nullptr && file_ != stdout) std::fclose(file_);
}

Status TextOutput::Failed() const {
  return Status(Code::kIo, path_ + ": writing failed: " + std::strerror(errno));
}

Status TextOutput::Write(std::string_view text) {
  if (text.empty() || std::fwrite(text.data(), 1, text.size(), file_) == text.size())
    return OkStatus();
  return Failed();
}

Status TextOutput::Close() {
  std::FILE* file = file_;
  file_ = nullptr;
  if (file == nullptr) return OkStatus();
  const bool written = std::fflush(file) == 0 && std::ferror(file) == 0;
  const bool closed = file == stdout || std::fclose(file) == 0;
  return written && closed ? OkStatus() : Failed();
}

int SayHowItEnded(std::string_view program, const std::string& path, const CaptureEnding& ending) {
  if (ending.closed_cleanly || (!ending.complete && !ending.damaged)) return kExitDone;
  std::string line = std::string(program) + ": " + SafeName(path) + ": ";
  line += ending.what.empty() ? "was not closed cleanly" : SafeName(ending.what);
  line += "; what could be read is shown\n";
  std::fputs(line.c_str(), stderr);
  return ending.damaged ? kExitNo : kExitDone;
}

}  // namespace witness
