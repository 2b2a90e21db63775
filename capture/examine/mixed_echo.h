// An echo that comes while the module still speaks: which of the bytes that it said are those of
// the command.
//
// Both want the same transmitter, so the bytes of one stand between those of the other: one and
// one while a program sends, or each behind its key while a person types.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"

namespace witness {

// Bytes and the stamp of each.
struct StampedBytes {
  Bytes bytes;
  std::vector<Instant> at;
};

struct MixedEcho {
  std::vector<std::size_t> at;  // in what was said, one for each byte of the command; ascending
  std::vector<bool> sure;       // whether none but this one will do
};

// Where `command` stands in `said`, from `from` on, its bytes in their order with the same distance
// between them nearly everywhere, or soon after they were typed. Nothing: nowhere, or only with
// distances as they come by chance. `late`: by how much a stamp may be.
std::optional<MixedEcho> FindMixedEcho(const StampedBytes& said, std::size_t from,
                                       const StampedBytes& command, Duration late);

}  // namespace witness
