// The search for what looks like a secret in a run of bytes: see secrets.h for what is one.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/examine/secret_kind.h"

namespace witness {

// A run of bytes within what was looked at.
struct Secret {
  SecretKind kind = SecretKind::kKey;
  std::size_t from = 0;
  std::size_t size = 0;  // > 0
};

// The secrets in `bytes`, ascending, not overlapping. Names with a space behind them in place of
// '=' or ':' count where the host speaks ("set key ..."), since others use them in sentences.
std::vector<Secret> SecretsIn(ByteView bytes, bool of_host);
// The same, into a list that is empty.
void FindSecrets(ByteView bytes, bool of_host, std::vector<Secret>& found);

// What a command asks for, if that is a secret: "AT+KEY?", "get key".
std::optional<SecretKind> AskedFor(ByteView command);

}  // namespace witness
