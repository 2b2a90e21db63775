// The search for what looks like a secret in a run of bytes: see secrets.h for what is one.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
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
// The same, but looked for only among those sixteens whose bit is set, the first sixteen bytes' the
// lowest: of all that hold a byte of kLeastRun or more printable ones in a row it has to be.
constexpr std::size_t kLeastRun = 4;
void FindSecrets(ByteView bytes, bool of_host, std::span<const std::uint64_t> sixteens,
                 std::vector<Secret>& found);

// What a command asks for, if that is a secret: "AT+KEY?", "get key".
std::optional<SecretKind> AskedFor(ByteView command);

}  // namespace witness
