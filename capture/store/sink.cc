#include "capture/store/sink.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <utility>

namespace witness {
namespace {

Status Failed(const std::string& path, const char* what) {
  return Status(Code::kIo, path + ": " + what + ": " + std::strerror(errno));
}

class FileSink : public Sink {
 public:
  FileSink(std::string path, int descriptor) : path_(std::move(path)), descriptor_(descriptor) {}
  ~FileSink() override {
    if (descriptor_ >= 0) ::close(descriptor_);
  }
  FileSink(const FileSink&) = delete;
  FileSink& operator=(const FileSink&) = delete;

  Status Write(ByteView bytes) override {
    while (!bytes.empty()) {
      const ssize_t n = ::write(descriptor_, bytes.data(), bytes.size());
      if (n < 0 && errno == EINTR) continue;
      if (n < 0) return Failed(path_, "cannot be written");
      bytes.remove_prefix(static_cast<std::size_t>(n));
    }
    return OkStatus();
  }

  Status Sync() override {
    if (::fdatasync(descriptor_) == 0) return OkStatus();
    // A pipe or a terminal has nothing to sync.
    if (errno == EINVAL || errno == EROFS) return OkStatus();
    return Failed(path_, "cannot be brought to the disk");
  }

  Status Close() override {
    if (descriptor_ < 0) return OkStatus();
    const int descriptor = std::exchange(descriptor_, -1);
    if (::close(descriptor) != 0 && errno != EINTR) return Failed(path_, "cannot be closed");
    return OkStatus();
  }

 private:
  std::string path_;
  int descriptor_;
};

class MemorySink : public Sink {
 public:
  explicit MemorySink(Bytes& out) : out_(out) {}
  Status Write(ByteView bytes) override {
    out_ += bytes;
    return OkStatus();
  }
  Status Sync() override { return OkStatus(); }
  Status Close() override { return OkStatus(); }

 private:
  Bytes& out_;
};

}  // namespace

Result<std::unique_ptr<Sink>> OpenFileSink(const std::string& path, bool replace) {
  const int flags = O_WRONLY | O_CREAT | O_CLOEXEC | O_NOCTTY | (replace ? O_TRUNC : O_EXCL);
  const int descriptor = ::open(path.c_str(), flags, 0666);
  if (descriptor < 0) {
    if (errno == EEXIST) {
      return Status(Code::kInvalidArgument, path + ": exists already; name another file");
    }
    const bool no_folder = errno == ENOENT;
    return no_folder ? Status(Code::kNotFound, path + ": its folder does not exist")
                     : Failed(path, "cannot be created");
  }
  return std::unique_ptr<Sink>(std::make_unique<FileSink>(path, descriptor));
}

std::unique_ptr<Sink> OpenMemorySink(Bytes& out) { return std::make_unique<MemorySink>(out); }

}  // namespace witness
