// Walks a capture's frames on a thread of its own, a little ahead of whoever takes the items:
// decompression, which takes longest, goes on while events are taken.
#pragma once

#include <memory>

#include "capture/store/frame_scanner.h"

namespace witness {

// Gives the same items as `scanner` from where it stands, in the same order. If `make_events`,
// items of kind kMade follow on the item of a block, if that has ScanItem::facts: all events of it.
// What they point to is valid as long as the item's content.
//
// What `scanner` reads from must outlive it and belongs to the thread from now on. Memory is that
// of the scanner, some times over. The thread ends with the object.
std::unique_ptr<ItemSource> ScanAhead(std::unique_ptr<FrameScanner> scanner, bool make_events);

}  // namespace witness
