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
// Where the place is not behind what was read last.
constexpr std::size_t kReadAfterJump = std::size_t{32} << 10;

class FileSource : public ByteSource {
 public:
  FileSource(std::string path, int descriptor) : path_(std::move(path)), descriptor_(descriptor) {}
  ~FileSource() override { ::close(descriptor_); }
  FileSource(const FileSource&) = delete;
  FileSource& operator=(const FileSource&) = delete;

  Result<ByteView> View(std::uint64_t offset, std::size_t size) override {
    if (offset >= begin_ && offset - begin_ <= kept_size_ &&
        size <= kept_size_ - (offset - begin_)) {
      return ByteView(kept_.get() + (offset - begin_), size);
    }
    // Keep what is there of it already, and read on behind it.
    const bool reads_on = kept_size_ > 0 && offset >= begin_ && offset - begin_ <= kept_size_;
    const std::size_t known = reads_on ? kept_size_ - (offset - begin_) : 0;
    ahead_ = reads_on ? std::min(2 * ahead_, kReadAhead) : kReadAfterJump;
    const std::size_t wanted = std::max(size, ahead_);
    if (wanted > room_) {
      room_ = std::max(wanted, kReadAhead);
      auto larger = std::make_unique_for_overwrite<char[]>(room_);
      if (known > 0) std::memcpy(larger.get(), kept_.get() + (offset - begin_), known);
      kept_ = std::move(larger);
    } else if (known > 0) {
      std::memmove(kept_.get(), kept_.get() + (offset - begin_), known);
    }
    begin_ = offset;
    kept_size_ = known;
    while (kept_size_ < size) {
      const ssize_t n = ::pread(descriptor_, kept_.get() + kept_size_, wanted - kept_size_,
                                static_cast<off_t>(offset + kept_size_));
      if (n < 0 && errno == EINTR) continue;
      if (n < 0) {
        kept_size_ = 0;
        return Status(Code::kIo, path_ + ": cannot be read: " + std::strerror(errno));
      }
      if (n == 0) break;
      kept_size_ += static_cast<std::size_t>(n);
    }
    return ByteView(kept_.get(), std::min(size, kept_size_));
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
  std::uint64_t begin_ = 0;       // file offset of kept_
  std::unique_ptr<char[]> kept_;  // room_ bytes, of which kept_size_ were read
  std::size_t room_ = 0;
  std::size_t kept_size_ = 0;
  std::size_t ahead_ = kReadAfterJump;
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
