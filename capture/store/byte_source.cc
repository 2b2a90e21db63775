#include "capture/store/byte_source.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

namespace witness {
namespace {

constexpr std::size_t kReadAhead = std::size_t{256} << 10;

class FileSource : public ByteSource {
 public:
  FileSource(std::string path, int descriptor) : path_(std::move(path)), descriptor_(descriptor) {}
  ~FileSource() override { ::close(descriptor_); }
  FileSource(const FileSource&) = delete;
  FileSource& operator=(const FileSource&) = delete;

  Result<ByteView> View(std::uint64_t offset, std::size_t size) override {
    if (offset >= begin_ && offset - begin_ <= kept_.size() &&
        size <= kept_.size() - (offset - begin_)) {
      return ByteView(kept_).substr(offset - begin_, size);
    }
    // Keep what is there of it already, and read on behind it.
    std::size_t have = 0;
    if (offset >= begin_ && offset - begin_ < kept_.size()) {
      have = kept_.size() - (offset - begin_);
      std::memmove(kept_.data(), kept_.data() + (offset - begin_), have);
    }
    begin_ = offset;
    kept_.resize(std::max(size, kReadAhead));
    while (have < kept_.size()) {
      const ssize_t n = ::pread(descriptor_, kept_.data() + have, kept_.size() - have,
                                static_cast<off_t>(offset + have));
      if (n < 0 && errno == EINTR) continue;
      if (n < 0) {
        kept_.clear();
        return Status(Code::kIo, path_ + ": cannot be read: " + std::strerror(errno));
      }
      if (n == 0) break;
      have += static_cast<std::size_t>(n);
      if (have >= size) break;
    }
    kept_.resize(have);
    return ByteView(kept_).substr(0, size);
  }

  Result<std::uint64_t> Size() override {
    struct stat facts {};
    if (::fstat(descriptor_, &facts) != 0) {
      return Status(Code::kIo, path_ + ": " + std::strerror(errno));
    }
    return static_cast<std::uint64_t>(facts.st_size);
  }

 private:
  std::string path_;
  int descriptor_;
  std::uint64_t begin_ = 0;  // file offset of kept_
  Bytes kept_;
};

class MemorySource : public ByteSource {
 public:
  explicit MemorySource(ByteView bytes) : bytes_(bytes) {}
  Result<ByteView> View(std::uint64_t offset, std::size_t size) override {
    if (offset >= bytes_.size()) return ByteView();
    return bytes_.substr(static_cast<std::size_t>(offset), size);
  }
  Result<std::uint64_t> Size() override { return std::uint64_t{bytes_.size()}; }

 private:
  ByteView bytes_;
};

}  // namespace

Result<std::unique_ptr<ByteSource>> OpenFileSource(const std::string& path) {
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
  if (descriptor < 0) {
    if (errno == ENOENT) return Status(Code::kNotFound, path + ": no such file");
    return Status(Code::kIo, path + ": cannot be opened: " + std::strerror(errno));
  }
  auto source = std::make_unique<FileSource>(path, descriptor);
  struct stat facts {};
  if (::fstat(descriptor, &facts) != 0 || !S_ISREG(facts.st_mode)) {
    return Status(Code::kInvalidArgument, path + ": not a file; a capture must be one");
  }
  return std::unique_ptr<ByteSource>(std::move(source));
}

std::unique_ptr<ByteSource> OpenMemorySource(ByteView bytes) {
  return std::make_unique<MemorySource>(bytes);
}

}  // namespace witness
