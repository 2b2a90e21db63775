#include "capture/store/compact.h"

#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

#include "capture/base/version.h"
#include "capture/store/folder.h"

namespace witness {
namespace {

// Behind the capture's own name while it is being written anew.
constexpr char kBeside[] = ".compacting";

Status Failed(const std::string& path, const char* what) {
  return Status(Code::kIo, path + ": " + what + ": " + std::strerror(errno));
}

// That two captures hold the same, event by event.
Status Compare(const std::string& a_path, const std::string& b_path) {
  auto a = CaptureReader::Open(a_path);
  auto b = CaptureReader::Open(b_path);
  if (!a.ok()) return a.status();
  if (!b.ok()) return b.status();
  Event of_a;
  Event of_b;
  while (true) {
    const auto outcome = (*a)->Next(of_a);
    if (outcome != (*b)->Next(of_b)) return Status(Code::kIo, "the new file is not like the old");
    if (outcome == CaptureReader::Outcome::kFailed) return (*a)->status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    if (!(of_a == of_b)) return Status(Code::kIo, "the new file is not like the old");
  }
  if (!(*b)->ending().closed_cleanly) return Status(Code::kIo, (*b)->ending().what);
  return OkStatus();
}

Status CompactBeside(const std::string& path, const std::string& beside,
                     const PackSettings& settings) {
  auto reader = CaptureReader::Open(path);
  if (!reader.ok()) return reader.status();
  if ((*reader)->info().format_minor > kFormatMinor) {
    return Status(Code::kUnsupported,
                  path + ": holds what a newer bytewitness wrote, which this one would lose");
  }
  ::unlink(beside.c_str());  // of an attempt that was interrupted
  auto sink = OpenFileSink(beside, false);
  if (!sink.ok()) return sink.status();
  if (const Status status = Pack(**reader, (*reader)->info(), **sink, settings); !status.ok()) {
    return status;
  }
  if ((*reader)->ending().damaged) return Status(Code::kDamaged, (*reader)->ending().what).In(path);
  if (const Status status = Compare(path, beside); !status.ok()) return status.In(beside);
  struct stat facts {};
  if (::stat(path.c_str(), &facts) == 0) {
    if (::chmod(beside.c_str(), facts.st_mode & 07777) != 0) return Failed(beside, "mode");
    // Only root can give a file away; for others it is theirs already.
    if (::chown(beside.c_str(), facts.st_uid, facts.st_gid) != 0 && ::geteuid() == 0) {
      return Failed(beside, "owner");
    }
  }
  if (::rename(beside.c_str(), path.c_str()) != 0) return Failed(path, "cannot be replaced");
  SyncFolderOf(path);
  return OkStatus();
}

}  // namespace

Status CompactFile(const std::string& path, const PackSettings& settings) {
  const std::string beside = path + kBeside;
  const Status status = CompactBeside(path, beside, settings);
  if (!status.ok()) {
    ::unlink(beside.c_str());
    return Status(status.code(), status.message() + "; " + path + " is left as it was");
  }
  return status;
}

}  // namespace witness
