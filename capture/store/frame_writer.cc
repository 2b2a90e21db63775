#include "capture/store/frame_writer.h"

#include <openssl/evp.h>
#include <zstd.h>

#include <algorithm>

#include "capture/store/crc32c.h"
#include "capture/store/limits.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

struct FreeContext {
  void operator()(ZSTD_CCtx* c) const { ZSTD_freeCCtx(c); }
  void operator()(EVP_MD_CTX* c) const { EVP_MD_CTX_free(c); }
};

class FrameWriterImpl : public FrameWriter {
 public:
  FrameWriterImpl(Sink& sink, ZSTD_CCtx* zstd, EVP_MD_CTX* sha)
      : sink_(sink), zstd_(zstd), sha_(sha) {
    out_.resize(ZSTD_CStreamOutSize());
  }

  Status Put(std::uint32_t field, ByteView content, std::span<const std::size_t> borders) override {
    Bytes head;
    AppendBytesHead(head, field, content.size());
    if (const Status status = Compress(head, ZSTD_e_continue); !status.ok()) return status;
    std::size_t from = 0;
    for (const std::size_t border : borders) {
      const Status status = Compress(content.substr(from, border - from), ZSTD_e_flush);
      if (!status.ok()) return status;
      from = border;
    }
    frame_open_ = true;
    frame_bytes_ += head.size() + content.size();
    return Compress(content.substr(from), ZSTD_e_continue);
  }

  Status PutBlock(ByteView content, const IndexEntry& place, std::uint64_t events,
                  std::span<const std::size_t> borders) override {
    if (!frame_open_) {
      if (frames_++ % stride_ == 0) {
        index_.frames.push_back(place);
        index_.frames.back().offset = written_;
      }
      if (index_.frames.size() == kMaxIndexEntries) ThinOut();
    }
    index_.events += events;
    ++blocks_;
    if (EVP_DigestUpdate(sha_.get(), content.data(), content.size()) != 1) {
      return Status(Code::kIo, "SHA-256 is not to be had from the system's library");
    }
    return Put(kBlockField, content, borders);
  }

  Status Flush() override { return frame_open_ ? Compress({}, ZSTD_e_flush) : OkStatus(); }

  Status EndFrame() override {
    if (!frame_open_) return OkStatus();
    frame_open_ = false;
    frame_bytes_ = 0;
    return Compress({}, ZSTD_e_end);
  }

  void SetLevel(int level) override {
    if (!frame_open_) ZSTD_CCtx_setParameter(zstd_.get(), ZSTD_c_compressionLevel, level);
  }

  std::size_t frame_bytes() const override { return frame_bytes_; }
  std::uint64_t written() const override { return written_; }

  Status Finish(TrailerFacts facts) override {
    if (const Status status = EndFrame(); !status.ok()) return status;
    index_.end_offset = written_;
    facts.events = index_.events;
    facts.blocks = blocks_;
    facts.sha256.resize(32);
    EVP_DigestFinal_ex(sha_.get(), reinterpret_cast<unsigned char*>(facts.sha256.data()), nullptr);
    Status status = Put(kTrailerField, EncodeTrailer(facts), {});
    if (status.ok()) status = EndFrame();
    if (!status.ok()) return status;
    index_.frames_crc32c = crc_;
    return Write(EncodeIndex(index_));
  }

 private:
  // Leaves every second entry: in very long captures jumping walks a little further.
  void ThinOut() {
    auto& entries = index_.frames;
    for (std::size_t i = 0; 2 * i < entries.size(); ++i) entries[i] = entries[2 * i];
    entries.resize(entries.size() / 2);
    stride_ *= 2;
  }

  Status Compress(ByteView bytes, ZSTD_EndDirective directive) {
    ZSTD_inBuffer in{bytes.data(), bytes.size(), 0};
    while (true) {
      ZSTD_outBuffer out{out_.data(), out_.size(), 0};
      const std::size_t left = ZSTD_compressStream2(zstd_.get(), &out, &in, directive);
      if (ZSTD_isError(left) != 0) {
        return Status(Code::kIo, std::string("compression failed: ") + ZSTD_getErrorName(left));
      }
      if (out.pos > 0) {
        const Status status = Write(ByteView(out_.data(), out.pos));
        if (!status.ok()) return status;
      }
      const bool done = directive == ZSTD_e_continue ? in.pos == in.size : left == 0;
      if (done) return OkStatus();
    }
  }

  Status Write(ByteView bytes) {
    crc_ = Crc32c(bytes, crc_);
    written_ += bytes.size();
    return sink_.Write(bytes);
  }

  Sink& sink_;
  std::unique_ptr<ZSTD_CCtx, FreeContext> zstd_;
  std::unique_ptr<EVP_MD_CTX, FreeContext> sha_;
  Bytes out_;
  bool frame_open_ = false;
  std::size_t frame_bytes_ = 0;
  std::uint64_t written_ = 0;
  std::uint64_t blocks_ = 0;
  std::uint32_t crc_ = 0;
  IndexFacts index_;
  std::uint64_t frames_ = 0;  // that hold blocks
  std::uint64_t stride_ = 1;  // one in so many has an entry
};

}  // namespace

Result<std::unique_ptr<FrameWriter>> FrameWriter::Create(Sink& sink,
                                                         const FrameSettings& settings) {
  ZSTD_CCtx* zstd = ZSTD_createCCtx();
  EVP_MD_CTX* sha = EVP_MD_CTX_new();
  auto writer = std::make_unique<FrameWriterImpl>(sink, zstd, sha);
  if (zstd == nullptr || sha == nullptr || EVP_DigestInit_ex(sha, EVP_sha256(), nullptr) != 1) {
    return Status(Code::kIo, "compression or SHA-256 cannot be set up");
  }
  const auto set = [zstd](ZSTD_cParameter parameter, int value) {
    return ZSTD_isError(ZSTD_CCtx_setParameter(zstd, parameter, value)) == 0;
  };
  if (!set(ZSTD_c_compressionLevel, settings.level) || !set(ZSTD_c_checksumFlag, 1) ||
      !set(ZSTD_c_windowLog, static_cast<int>(settings.window_log))) {
    return Status(Code::kIo, "the compression library refuses its settings");
  }
  return std::unique_ptr<FrameWriter>(std::move(writer));
}

}  // namespace witness
