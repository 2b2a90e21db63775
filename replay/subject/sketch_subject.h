// A compiled sketch on trial: starts bytetrial-sketch, the worker with the emulator, and hands it
// parts.
#pragma once

#include <memory>
#include <string>

#include "replay/subject/sketch_settings.h"
#include "replay/subject/subject.h"

namespace trial {

// The worker's path: $BYTETRIAL_SKETCH_WORKER, beside this program, or where it was installed.
// kUnsupported, with what to install, if it is not there.
witness::Result<std::string> FindSketchWorker();

// Settings whose ELF cannot be read, or whose pins are not on the part, are told by the first Run.
witness::Result<std::unique_ptr<Subject>> MakeSketchSubject(const SketchSettings& settings);

}  // namespace trial
