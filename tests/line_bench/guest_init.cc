// /init of the bench's guest: mounts, loads the drivers, runs the tests, tells the host how they
// ended. There is no shell in the guest.
#include <fcntl.h>
#include <sys/io.h>
#include <sys/mount.h>
#include <sys/reboot.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <string>

namespace {

// qemu's isa-debug-exit: qemu then ends with status value * 2 + 1.
constexpr unsigned short kExitPort = 0x501;

[[noreturn]] void PowerOff(int value) {
  std::printf("LINE BENCH ENDS WITH %d\n", value);
  std::fflush(stdout);
  if (iopl(3) == 0) outb(static_cast<unsigned char>(value), kExitPort);
  reboot(RB_POWER_OFF);
  for (;;) pause();
}

void Mount(const char* type, const char* where) {
  mkdir(where, 0755);
  if (mount(type, where, type, 0, nullptr) != 0) std::printf("line bench: no %s\n", type);
}

// Lines of /modules/order, in the order in which they need each other.
void LoadModules() {
  std::ifstream order("/modules/order");
  for (std::string name; std::getline(order, name);) {
    const int fd = open(("/modules/" + name).c_str(), O_RDONLY | O_CLOEXEC);
    if (fd < 0 || syscall(SYS_finit_module, fd, "", 0) != 0) {
      std::printf("line bench: module %s does not load\n", name.c_str());
      PowerOff(99);
    }
    close(fd);
  }
}

}  // namespace

int main() {
  Mount("devtmpfs", "/dev");
  Mount("proc", "/proc");
  Mount("sysfs", "/sys");
  Mount("tmpfs", "/tmp");
  mkdir("/dev/pts", 0755);
  Mount("devpts", "/dev/pts");
  setvbuf(stdout, nullptr, _IOLBF, 0);
  std::ifstream uptime("/proc/uptime");
  std::string seconds;
  uptime >> seconds;
  std::printf("line bench: guest is up after %s s\n", seconds.c_str());
  LoadModules();

  // What the tests are called with: one argument a line.
  std::string arguments[8];
  char* list[10] = {const_cast<char*>("/bench/line_bench_tests")};
  std::ifstream file("/bench/arguments");
  for (int i = 0; i < 8 && std::getline(file, arguments[i]); ++i) list[i + 1] = arguments[i].data();
  const pid_t child = fork();
  if (child == 0) {
    setenv("HOME", "/tmp", 1);
    setenv("PATH", "/bench", 1);
    setenv("NO_COLOR", "1", 1);
    execv(list[0], list);
    std::printf("line bench: the tests do not start: %s\n", std::strerror(errno));
    _exit(98);
  }
  int status = 0;
  for (;;) {
    const pid_t ended = wait(&status);  // also of orphans that the tests left
    if (ended == child || (ended < 0 && errno == ECHILD)) break;
  }
  PowerOff(WIFEXITED(status) ? WEXITSTATUS(status) : 97);
}
