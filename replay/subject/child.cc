#include "replay/subject/child.h"

#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <mutex>
#include <optional>
#include <set>

extern char** environ;

namespace trial {
namespace {

using witness::Code;
using witness::Duration;
using witness::Status;

constexpr char kMarkName[] = "BYTETRIAL_TRIAL";
constexpr pid_t kKernelThreads =
    2;  // the kernel's own threads descend from it, without environment

// Main processes of the children that are not yet waited for: nobody else may reap them.
std::mutex known_mutex;
std::set<pid_t>& Known() {
  static std::set<pid_t> known;
  return known;
}

std::string ReadSmallFile(const std::string& path, std::size_t most) {
  std::string text;
  const int descriptor = open(path.c_str(), O_RDONLY | O_CLOEXEC);
  if (descriptor < 0) return text;
  char buffer[4096];
  for (ssize_t n; text.size() < most && (n = read(descriptor, buffer, sizeof buffer)) > 0;)
    text.append(buffer, static_cast<std::size_t>(n));
  close(descriptor);
  return text;
}

struct ProcessFacts {
  pid_t pid = 0;
  pid_t parent = 0;
  char state = 0;
  unsigned long long started = 0;  // clock ticks since the machine booted
};

// From /proc/PID/stat (proc(5)): the name may hold anything, so look behind the last ')'.
std::optional<ProcessFacts> FactsOf(pid_t pid) {
  const std::string stat = ReadSmallFile("/proc/" + std::to_string(pid) + "/stat", 4096);
  const auto end = stat.rfind(')');
  if (end == std::string::npos || end + 4 > stat.size()) return std::nullopt;
  ProcessFacts facts;
  facts.pid = pid;
  facts.state = stat[end + 2];
  facts.parent = static_cast<pid_t>(std::atol(stat.c_str() + end + 4));
  // Field 22; the state is field 3.
  const char* field = stat.c_str() + end + 2;
  for (int i = 3; i < 22 && field != nullptr; ++i) {
    field = std::strchr(field, ' ');
    if (field != nullptr) ++field;
  }
  if (field != nullptr) facts.started = std::strtoull(field, nullptr, 10);
  return facts;
}

void Pause(int milliseconds) { poll(nullptr, 0, milliseconds); }

bool HasMark(pid_t pid, const std::string& mark) {
  const std::string path = "/proc/" + std::to_string(pid) + "/environ";
  std::string text;
  // A process that is about to become another program (execve(2)) shows no environment for a
  // moment.
  for (int look = 0; look < 20; ++look) {
    text = ReadSmallFile(path, 1 << 20);
    if (!text.empty() || access(path.c_str(), R_OK) != 0) break;
    Pause(1);
  }
  const std::string all = '\0' + text + '\0';
  return all.find('\0' + (kMarkName + ("=" + mark)) + '\0') != std::string::npos;
}

template <typename Call>
void ForEachProcess(Call call) {
  DIR* folder = opendir("/proc");
  if (folder == nullptr) return;
  while (const dirent* entry = readdir(folder)) {
    if (entry->d_name[0] < '0' || entry->d_name[0] > '9') continue;
    call(static_cast<pid_t>(std::atol(entry->d_name)));
  }
  closedir(folder);
}

// Reaps what was left to us and has ended.
void ReapOrphans() {
  const std::lock_guard lock(known_mutex);
  ForEachProcess([&](pid_t pid) {
    const auto facts = FactsOf(pid);
    if (facts && facts->state == 'Z' && facts->parent == getpid() && !Known().contains(pid))
      waitpid(pid, nullptr, WNOHANG);
  });
}

// What the child does between fork and exec; only calls that are safe there (signal-safety(7)).
[[noreturn]] void Become(char* const* arguments, char* const* environment, const int (&standard)[3],
                         int report) {
  sigset_t none;
  sigemptyset(&none);
  sigprocmask(SIG_SETMASK, &none, nullptr);
  for (const int signal : {SIGINT, SIGTERM, SIGPIPE, SIGHUP, SIGQUIT, SIGCHLD}) {
    struct sigaction action = {};
    action.sa_handler = SIG_DFL;
    sigaction(signal, &action, nullptr);
  }
  setpgid(0, 0);
  for (int i = 0; i < 3; ++i) {
    // dup2 onto itself would leave the close-on-exec mark.
    if (standard[i] == i) {
      fcntl(i, F_SETFD, 0);
    } else if (dup2(standard[i], i) < 0) {
      break;
    }
  }
  environ = const_cast<char**>(environment);
  execvp(arguments[0], arguments);
  const int failed[2] = {-1, errno};
  [[maybe_unused]] const ssize_t n = write(report, failed, sizeof failed);
  _exit(127);
}

}  // namespace

Child::~Child() {
  if (pid_ > 0) EndAll();
  if (pidfd_ >= 0) close(pidfd_);
}

Status Child::Start(const ChildSetup& setup) {
  static std::atomic<unsigned> number{0};
  prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0);
  mark_ = std::to_string(getpid()) + "-" + std::to_string(++number);

  std::vector<std::string> environment_texts;
  auto added = setup.environment;
  added[kMarkName] = mark_;
  for (char** e = environ; *e != nullptr; ++e) {
    const std::string text = *e;
    if (!added.contains(text.substr(0, text.find('=')))) environment_texts.push_back(text);
  }
  for (const auto& [name, value] : added) environment_texts.push_back(name + "=" + value);
  std::vector<char*> environment;
  for (std::string& text : environment_texts) environment.push_back(text.data());
  environment.push_back(nullptr);
  std::vector<std::string> words = setup.arguments;
  std::vector<char*> arguments;
  for (std::string& word : words) arguments.push_back(word.data());
  arguments.push_back(nullptr);
  if (words.empty()) return {Code::kInvalidArgument, "no program is named"};

  const int nothing = open("/dev/null", O_RDWR | O_CLOEXEC);
  int report[2] = {-1, -1};
  if (nothing < 0 || pipe2(report, O_CLOEXEC) != 0) {
    if (nothing >= 0) close(nothing);
    return {Code::kIo, std::string("cannot start a program: ") + std::strerror(errno)};
  }
  int standard[3] = {setup.standard_input, setup.standard_output, setup.standard_error};
  for (int& descriptor : standard)
    if (descriptor < 0) descriptor = nothing;

  // Twice: the first makes a session without a terminal, the second is not its leader, so a port
  // that the program opens does not become its terminal (with all that terminals do to a program).
  // Nobody may reap what is left to us while this child is not yet known.
  std::unique_lock starting(known_mutex);
  const pid_t first = fork();
  if (first == 0) {
    setsid();
    const pid_t second = _Fork();
    if (second == 0) Become(arguments.data(), environment.data(), standard, report[1]);
    const int started[2] = {static_cast<int>(second), errno};
    [[maybe_unused]] const ssize_t n = write(report[1], started, sizeof started);
    _exit(0);
  }
  const int fork_error = errno;
  close(report[1]);
  close(nothing);
  Status status;
  if (first < 0)
    status = {Code::kIo, std::string("cannot start a program: ") + std::strerror(fork_error)};
  else {
    // Two messages may come, in any order: the second child's number, and that it failed.
    int message[2] = {0, 0};
    int failed = 0;
    while (read(report[0], message, sizeof message) == sizeof message) {
      if (message[0] > 0)
        pid_ = message[0];
      else
        failed = message[1];
    }
    waitpid(first, nullptr, 0);
    if (pid_ > 0) Known().insert(pid_);
    starting.unlock();
    if (failed != 0) {
      const Code code = failed == ENOENT  ? Code::kNotFound
                        : failed == E2BIG ? Code::kInvalidArgument
                                          : Code::kIo;
      status = {code, words[0] + ": cannot be started: " + std::strerror(failed)};
      if (pid_ > 0) Wait();
      pid_ = -1;
    } else {
      if (const auto facts = FactsOf(pid_)) started_ = facts->started;
      pidfd_ = static_cast<int>(syscall(SYS_pidfd_open, pid_, 0));
      if (pidfd_ < 0)
        status = {Code::kIo, std::string("cannot watch a process: ") + std::strerror(errno)};
    }
  }
  close(report[0]);
  return status;
}

// /proc/PID/schedstat: "time spent on the cpu (in nanoseconds), time spent waiting on a runqueue
// (in nanoseconds), # of timeslices" (Linux, Documentation/scheduler/sched-stats.rst).
ProcessorUse Child::Use() const {
  ProcessorUse use;
  if (pid_ <= 0 || waited_) return use;
  const std::string text = ReadSmallFile("/proc/" + std::to_string(pid_) + "/schedstat", 256);
  char* rest = nullptr;
  use.ran = Duration::Nanoseconds(std::strtoll(text.c_str(), &rest, 10));
  use.waited = Duration::Nanoseconds(std::strtoll(rest, nullptr, 10));
  return use;
}

ChildEnding Child::Wait() {
  ChildEnding ending;
  if (pid_ <= 0 || waited_) return ending;
  int status = 0;
  struct rusage usage = {};
  pid_t got = 0;
  do {
    got = wait4(pid_, &status, 0, &usage);
  } while (got < 0 && errno == EINTR);
  waited_ = true;
  {
    const std::lock_guard lock(known_mutex);
    Known().erase(pid_);
  }
  ending.by_signal = WIFSIGNALED(status);
  ending.status = ending.by_signal ? WTERMSIG(status) : WEXITSTATUS(status);
  const auto time = [](const timeval& t) {
    return Duration::Seconds(t.tv_sec) + Duration::Microseconds(t.tv_usec);
  };
  ending.cpu_time = time(usage.ru_utime) + time(usage.ru_stime);
  return ending;
}

void Child::Signal(int signal) const {
  if (pid_ <= 0) return;
  // The group lives on while any process of it does, also when its first is gone.
  if (kill(-pid_, signal) != 0 && !waited_) kill(pid_, signal);
}

std::vector<pid_t> Child::Descendants() const {
  std::vector<pid_t> found;
  if (pid_ <= 0) return found;
  ForEachProcess([&](pid_t pid) {
    if (pid == pid_ || pid == getpid()) return;
    const auto facts = FactsOf(pid);
    // What was there before cannot descend from it; that spares a look into most of them.
    if (!facts || facts->started < started_ || facts->state == 'Z' || facts->state == 'X') return;
    if (facts->parent == kKernelThreads) return;
    if (HasMark(pid, mark_)) found.push_back(pid);
  });
  return found;
}

void Child::EndAll() {
  if (pid_ <= 0) return;
  if (!waited_) {
    Signal(SIGKILL);
    Wait();
  }
  for (int round = 0; round < 200; ++round) {
    const auto left = Descendants();
    for (const pid_t pid : left) kill(pid, SIGKILL);
    ReapOrphans();
    if (left.empty()) break;
    Pause(round < 10 ? 1 : 10);
  }
  pid_ = -1;
}

}  // namespace trial
