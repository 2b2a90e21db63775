#include "capture/base/sha256.h"

#include <openssl/evp.h>

namespace witness {

struct Sha256::State {
  EVP_MD_CTX* context = EVP_MD_CTX_new();
  ~State() { EVP_MD_CTX_free(context); }
};

// The calls below can fail only if the library has no SHA-256 at all.
Sha256::Sha256() : state_(std::make_unique<State>()) {
  EVP_DigestInit_ex(state_->context, EVP_sha256(), nullptr);
}

Sha256::~Sha256() = default;

void Sha256::Update(ByteView bytes) {
  EVP_DigestUpdate(state_->context, bytes.data(), bytes.size());
}

Bytes Sha256::Finish() {
  Bytes digest(32, '\0');
  EVP_DigestFinal_ex(state_->context, reinterpret_cast<unsigned char*>(digest.data()), nullptr);
  return digest;
}

Bytes Sha256::Of(ByteView bytes) {
  Sha256 sha;
  sha.Update(bytes);
  return sha.Finish();
}

}  // namespace witness
