#include "capture/store/file_digest.h"

#include "capture/base/bytes.h"
#include "capture/base/sha256.h"
#include "capture/store/byte_source.h"

namespace witness {

Result<FileDigest> DigestOfFile(const std::string& path) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return source.status();
  Sha256 sha;
  FileDigest digest;
  for (;;) {
    const auto bytes = (*source)->View(digest.bytes, std::size_t{1} << 20);
    if (!bytes.ok()) return bytes.status();
    if (bytes->empty()) break;
    sha.Update(*bytes);
    digest.bytes += bytes->size();
  }
  digest.sha256 = ToHex(sha.Finish());
  return digest;
}

}  // namespace witness
