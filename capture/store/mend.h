// Making a whole capture of a damaged or cut one.
#pragma once

#include <cstdint>
#include <string>

#include "capture/base/result.h"
#include "capture/store/capture_info.h"
#include "capture/store/capture_reader.h"
#include "capture/store/packer.h"
#include "capture/store/sink.h"

namespace witness {

struct MendReport {
  CaptureEnding source;           // how the damaged file ended
  std::uint64_t events = 0;       // kept
  std::uint64_t gaps = 0;         // marked in the new file
  std::uint64_t events_lost = 0;  // as far as that can be told
};

// Writes all that `source`, a reader at its start, gives into `target`, which is left open and not
// synced. Errors: of the reader (kIo) and of the sink.
Result<MendReport> Mend(CaptureReader& source, Sink& target,
                        const PackSettings& settings = PackSettings::Everyday());

// Writes all of `source` that can be proven intact into `target`, a new file, with a gap where
// something is missing; `source` is only read. Errors as CaptureReader::Open; kInvalidArgument if
// `target` exists. On an error no `target` is left behind.
Result<MendReport> MendFile(const std::string& source, const std::string& target);

}  // namespace witness
