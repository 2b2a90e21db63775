// Folders, where a new file's name must reach the disk too.
#pragma once

#include <string>

namespace witness {

// Brings the folder's entry of `path` to the disk, where the file system can do that. A failure
// is no reason to give anything up, so none is told.
void SyncFolderOf(const std::string& path);

}  // namespace witness
