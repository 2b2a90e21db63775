#include "capture/store/verify.h"

#include <openssl/evp.h>

#include <algorithm>
#include <memory>
#include <optional>

#include "capture/store/byte_source.h"
#include "capture/store/capture_reader.h"
#include "capture/store/crc32c.h"
#include "capture/store/read_listener.h"

namespace witness {
namespace {

struct FreeDigest {
  void operator()(EVP_MD_CTX* c) const { EVP_MD_CTX_free(c); }
};

class Checker : public ReadListener {
 public:
  Checker() : sha_(EVP_MD_CTX_new()) { EVP_DigestInit_ex(sha_.get(), EVP_sha256(), nullptr); }

  void OnDamage(std::uint64_t offset, const std::string& what, Instant after) override {
    if (found.damage.size() < Verification::kMaxPlaces) {
      found.damage.push_back({offset, what, after});
    } else {
      ++found.more_damage;
    }
  }
  void OnBlock(ByteView content) override {
    EVP_DigestUpdate(sha_.get(), content.data(), content.size());
  }
  void OnTrailer(const TrailerFacts& trailer) override {
    has_trailer_ = true;
    Bytes digest(32, '\0');
    EVP_DigestFinal_ex(sha_.get(), reinterpret_cast<unsigned char*>(digest.data()), nullptr);
    // With damage before it the digest cannot agree, and that is known already.
    if (digest != trailer.sha256 && found.damage.empty()) {
      OnDamage(0, "the SHA-256 over the blocks does not agree with the trailer", trailer.end);
    }
  }
  void OnIndex(const Result<IndexFacts>& index, std::uint64_t offset) override {
    if (!index.ok()) return;
    found.has_index = true;
    index_ = *index;
    index_offset_ = offset;
  }

  // What the index says of the file as a whole.
  Status CheckFile(ByteSource& source) {
    if (!index_) {
      const bool closed = has_trailer_ && found.damage.empty();
      if (closed) OnDamage(0, "the index behind the trailer is missing or unreadable", Instant());
      return OkStatus();
    }
    std::uint32_t crc = 0;
    for (std::uint64_t at = 0; at < index_offset_;) {
      const auto size = static_cast<std::size_t>(
          std::min<std::uint64_t>(index_offset_ - at, std::uint64_t{256} << 10));
      const auto view = source.View(at, size);
      if (!view.ok()) return view.status();
      if (view->empty()) break;
      crc = Crc32c(*view, crc);
      at += view->size();
    }
    if (crc != index_->frames_crc32c && found.damage.empty()) {
      OnDamage(0, "a byte was changed that no block depends on (checksum over the file)",
               Instant());
    }
    return OkStatus();
  }

  Verification found;

 private:
  std::unique_ptr<EVP_MD_CTX, FreeDigest> sha_;
  std::optional<IndexFacts> index_;
  std::uint64_t index_offset_ = 0;
  bool has_trailer_ = false;
};

Result<Verification> Verify(Result<std::unique_ptr<CaptureReader>> reader, Checker& checker,
                            ByteSource& source) {
  if (!reader.ok()) return reader.status();
  Event event;
  CaptureReader::Outcome outcome = CaptureReader::Outcome::kEvent;
  while ((outcome = (*reader)->Next(event)) == CaptureReader::Outcome::kEvent) {
    if (event.kind != EventKind::kGap || event.gap.reason != GapReason::kDamagedFile) continue;
    if (checker.found.damage.empty()) continue;  // recorded so, as by mend
    ++checker.found.gaps;
    checker.found.events_lost += event.gap.events_lost;
  }
  if (outcome == CaptureReader::Outcome::kFailed) return (*reader)->status();
  if (const Status status = checker.CheckFile(source); !status.ok()) return status;
  Verification found = std::move(checker.found);
  found.info = (*reader)->info();
  found.ending = (*reader)->ending();
  if (!found.damage.empty() && !found.ending.damaged) {
    found.ending.damaged = true;
    found.ending.closed_cleanly = false;
    found.ending.what = "damaged: " + found.damage.front().what;
  }
  return found;
}

}  // namespace

Result<Verification> VerifyFile(const std::string& path) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return source.status();
  Checker checker;
  ReaderOptions options;
  options.listener = &checker;
  return Verify(CaptureReader::Open(path, options), checker, **source);
}

Result<Verification> VerifyMemory(ByteView bytes) {
  const auto source = OpenMemorySource(bytes);
  Checker checker;
  ReaderOptions options;
  options.listener = &checker;
  return Verify(CaptureReader::OpenMemory(bytes, options), checker, *source);
}

}  // namespace witness
