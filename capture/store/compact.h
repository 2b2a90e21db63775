// Rewriting a capture file in large frames: the same events, half the size.
#pragma once

#include <string>

#include "capture/base/result.h"
#include "capture/store/packer.h"

namespace witness {

// Replaces the file at `path` by its compacted form: written beside it, synced, read back and
// compared, then renamed over it. Whatever happens before that leaves the file as it is; the
// Status says so. kDamaged: the file is not whole; `mend` is for that.
Status CompactFile(const std::string& path, const PackSettings& settings);

}  // namespace witness
