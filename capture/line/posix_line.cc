#include "capture/line/posix_line.h"

#include <dirent.h>
#include <fcntl.h>
#include <grp.h>
#include <poll.h>
#include <pwd.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <vector>

#include "capture/line/missing_right.h"

namespace witness {
namespace {

struct Holder {
  long process = 0;
  std::string program;
};

// Processes with an open descriptor on the device behind `path`. Those of other users can only be
// seen by root.
std::vector<Holder> Holders(const std::string& path) {
  std::vector<Holder> out;
  struct stat wanted = {};
  if (stat(path.c_str(), &wanted) != 0) return out;
  DIR* processes = opendir("/proc");
  if (processes == nullptr) return out;
  while (const dirent* entry = readdir(processes)) {
    char* end = nullptr;
    const long process = std::strtol(entry->d_name, &end, 10);
    if (end == entry->d_name || *end != '\0' || process == getpid()) continue;
    const std::string folder = std::string("/proc/") + entry->d_name;
    DIR* descriptors = opendir((folder + "/fd").c_str());
    if (descriptors == nullptr) continue;
    bool holds = false;
    while (const dirent* fd = readdir(descriptors)) {
      struct stat there = {};
      if (fd->d_name[0] == '.' || stat((folder + "/fd/" + fd->d_name).c_str(), &there) != 0)
        continue;
      if (S_ISCHR(there.st_mode) && there.st_rdev == wanted.st_rdev &&
          there.st_dev == wanted.st_dev)
        holds = true;
    }
    closedir(descriptors);
    if (!holds) continue;
    std::string program;
    std::getline(std::ifstream(folder + "/comm"), program);
    out.push_back({process, program});
  }
  closedir(processes);
  return out;
}

DeviceAccess AccessTo(const std::string& path) {
  DeviceAccess out;
  struct stat there = {};
  if (stat(path.c_str(), &there) != 0) return out;
  out.seen = true;
  out.group_may = (there.st_mode & 0060) == 0060;
  const group* owners = getgrgid(there.st_gid);
  if (owners == nullptr || there.st_gid == 0) return out;
  out.group = owners->gr_name;
  std::vector<gid_t> mine(static_cast<std::size_t>(std::max(0, getgroups(0, nullptr))));
  if (!mine.empty() && getgroups(static_cast<int>(mine.size()), mine.data()) < 0) mine.clear();
  out.in_login =
      getegid() == there.st_gid || std::find(mine.begin(), mine.end(), there.st_gid) != mine.end();
  const passwd* me = getpwuid(geteuid());
  for (char** member = owners->gr_mem; me != nullptr && *member != nullptr; ++member)
    out.joined = out.joined || std::string(*member) == me->pw_name;
  return out;
}

}  // namespace

ReadResult ReadDescriptor(int descriptor, std::span<char> buffer, const std::string& name) {
  for (;;) {
    const ssize_t n = read(descriptor, buffer.data(), buffer.size());
    if (n > 0) return {ReadOutcome::kBytes, static_cast<std::size_t>(n), OkStatus(), {}};
    if (n == 0 || errno == EIO || errno == ENXIO || errno == ENODEV)
      return {
          ReadOutcome::kGone, 0, Status(Code::kDisconnected, name + ": unplugged or hung up"), {}};
    if (errno == EINTR) continue;
    if (errno == EAGAIN || errno == EWOULDBLOCK) return {};
    return {ReadOutcome::kFailed,
            0,
            Status(Code::kIo, name + ": cannot read: " + std::strerror(errno)),
            {}};
  }
}

Result<std::size_t> WriteDescriptor(int descriptor, ByteView bytes, const std::string& name) {
  if (bytes.empty()) return std::size_t{0};
  for (;;) {
    const ssize_t n = write(descriptor, bytes.data(), bytes.size());
    if (n >= 0) return static_cast<std::size_t>(n);
    if (errno == EINTR) continue;
    if (errno == EAGAIN || errno == EWOULDBLOCK) return std::size_t{0};
    if (errno == EIO || errno == ENXIO || errno == ENODEV || errno == EPIPE)
      return Status(Code::kDisconnected, name + ": unplugged or hung up");
    return Status(Code::kIo, name + ": cannot write: " + std::strerror(errno));
  }
}

Status MakeRaw(int descriptor, const std::string& name) {
  termios settings = {};
  if (tcgetattr(descriptor, &settings) != 0)
    return Status(Code::kIo, name + ": not a serial line: " + std::strerror(errno));
  cfmakeraw(&settings);
  settings.c_cflag |= CREAD | CLOCAL;
  settings.c_cc[VMIN] = 1;
  settings.c_cc[VTIME] = 0;
  if (tcsetattr(descriptor, TCSANOW, &settings) != 0)
    return Status(Code::kIo, name + ": cannot set up the line: " + std::strerror(errno));
  return OkStatus();
}

Status TakeExclusively(int descriptor, const std::string& path) {
  if (flock(descriptor, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK)
    return OpenError(path, EBUSY);
  // Refused by nothing that matters: a line that knows no exclusivity is used without.
  (void)ioctl(descriptor, TIOCEXCL);
  return OkStatus();
}

void DrainBounded(int descriptor, Duration limit) {
  constexpr int kStepMs = 5;
  for (std::int64_t waited = 0; waited < limit.ns() / 1'000'000; waited += kStepMs) {
    int left = 0;
    if (ioctl(descriptor, TIOCOUTQ, &left) != 0 || left == 0) break;
    poll(nullptr, 0, kStepMs);
  }
  tcflush(descriptor, TCIOFLUSH);
}

std::string WhoHas(const std::string& path) {
  std::string out;
  int named = 0;
  for (const Holder& holder : Holders(path)) {
    if (named++ == 4) {
      out += ", ...";
      break;
    }
    if (!out.empty()) out += ", ";
    out += holder.program + " (process " + std::to_string(holder.process) + ")";
  }
  return out;
}

int CountHolders(const std::string& path) { return static_cast<int>(Holders(path).size()); }

Status OpenError(const std::string& path, int error) {
  switch (error) {
    case ENOENT:
    case ENXIO:
    case ENODEV:
    case ENOTDIR:
      return Status(Code::kNotFound,
                    path + ": no such port; `bytewitness ports` lists what is there");
    case EACCES:
    case EPERM: {
      return Status(Code::kIo,
                    path + ": no permission to open it; " + MissingRight(AccessTo(path)));
    }
    case EBUSY:
    case EWOULDBLOCK: {
      const std::string who = WhoHas(path);
      return Status(Code::kIo, path + ": busy, held by " +
                                   (who.empty() ? "a program of another user" : who) +
                                   "; end it or choose another port");
    }
    default:
      return Status(Code::kIo, path + ": cannot open: " + std::strerror(error));
  }
}

}  // namespace witness
