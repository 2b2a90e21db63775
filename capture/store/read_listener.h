// What a reader comes across besides events; for those who check or mend files.
#pragma once

#include <cstdint>
#include <string>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/store/messages.h"

namespace witness {

class ReadListener {
 public:
  virtual ~ReadListener() = default;

  // Something at `offset` of the file is wrong. `after`: time of the last event before.
  virtual void OnDamage(std::uint64_t offset, const std::string& what, Instant after) {
    static_cast<void>(offset), static_cast<void>(what), static_cast<void>(after);
  }
  // The contents of a Block message that was taken.
  virtual void OnBlock(ByteView content) { static_cast<void>(content); }
  virtual void OnTrailer(const TrailerFacts& trailer) { static_cast<void>(trailer); }
  // An index at `offset`, right or wrong.
  virtual void OnIndex(const Result<IndexFacts>& index, std::uint64_t offset) {
    static_cast<void>(index), static_cast<void>(offset);
  }
};

}  // namespace witness
