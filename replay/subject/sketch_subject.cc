#include "replay/subject/sketch_subject.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <mutex>
#include <thread>
#include <vector>

#include "capture/base/text.h"
#include "replay/subject/program.h"
#include "replay/subject/sketch_job.h"

extern char** environ;

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

constexpr const char* kWorkerName = "bytetrial-sketch";

// One worker process and the pipes to it. Ended with this object.
class Worker {
 public:
  ~Worker() { End(); }
  Worker() = default;
  Worker(const Worker&) = delete;
  Worker& operator=(const Worker&) = delete;

  Status Start(const std::string& path) {
    int to[2] = {-1, -1};
    int from[2] = {-1, -1};
    if (pipe2(to, O_CLOEXEC) != 0 || pipe2(from, O_CLOEXEC) != 0) {
      const Status status(Code::kIo,
                          std::string("no pipe for the sketch worker: ") + std::strerror(errno));
      for (const int end : {to[0], to[1], from[0], from[1]})
        if (end >= 0) close(end);
      return status;
    }
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, to[0], STDIN_FILENO);
    posix_spawn_file_actions_adddup2(&actions, from[1], STDOUT_FILENO);
    // A group of its own: Ctrl-C on the terminal is for us, who then end it.
    posix_spawnattr_t attributes;
    posix_spawnattr_init(&attributes);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETPGROUP);
    std::string name = path;
    char* arguments[] = {name.data(), nullptr};
    const int error =
        posix_spawn(&process_, path.c_str(), &actions, &attributes, arguments, environ);
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&actions);
    close(to[0]);
    close(from[1]);
    to_ = to[1];
    from_ = from[0];
    if (error == 0) return witness::OkStatus();
    process_ = -1;
    return Status(Code::kIo,
                  witness::SafeName(path) + ": cannot be started: " + std::strerror(error));
  }

  Result<Observations> Ask(const SketchJob& job) {
    const Status gone(Code::kIo, "the sketch worker ended without an answer");
    if (!Write(Framed(SerializeSketchJob(job)))) return gone;
    Bytes head = Read(kFrameHead);
    if (head.size() != kFrameHead) return gone;
    const std::size_t length = FrameLength(head);
    if (length > kLargestFrame) return gone;
    const Bytes answer = Read(length);
    if (answer.size() != length) return gone;
    return DeserializeSketchAnswer(answer);
  }

  // From another thread: its Ask() then fails.
  void Kill() const {
    if (process_ > 0) kill(-process_, SIGKILL);
  }

 private:
  bool Write(ByteView bytes) const {
    // A worker that is gone must not end us by SIGPIPE.
    sigset_t pipe_signal, before;
    sigemptyset(&pipe_signal);
    sigaddset(&pipe_signal, SIGPIPE);
    pthread_sigmask(SIG_BLOCK, &pipe_signal, &before);
    bool good = true;
    while (good && !bytes.empty()) {
      const ssize_t n = write(to_, bytes.data(), bytes.size());
      if (n < 0 && errno == EINTR) continue;
      good = n > 0;
      if (good) bytes.remove_prefix(static_cast<std::size_t>(n));
    }
    const timespec none{};
    while (sigtimedwait(&pipe_signal, nullptr, &none) > 0) {
    }
    pthread_sigmask(SIG_SETMASK, &before, nullptr);
    return good;
  }

  Bytes Read(std::size_t size) const {
    Bytes bytes(size, '\0');
    std::size_t got = 0;
    while (got < size) {
      const ssize_t n = read(from_, bytes.data() + got, size - got);
      if (n < 0 && errno == EINTR) continue;
      if (n <= 0) break;
      got += static_cast<std::size_t>(n);
    }
    bytes.resize(got);
    return bytes;
  }

  void End() {
    if (to_ >= 0) close(to_);  // the end of its jobs: it ends by itself
    if (from_ >= 0) close(from_);
    to_ = from_ = -1;
    if (process_ > 0) {
      Kill();  // it is idle, or its answer is not wanted any more
      while (waitpid(process_, nullptr, 0) < 0 && errno == EINTR) {
      }
    }
    process_ = -1;
  }

  pid_t process_ = -1;
  int to_ = -1;
  int from_ = -1;
};

class SketchSubject : public Subject {
 public:
  SketchSubject(SketchSettings settings, std::string worker)
      : settings_(std::move(settings)), worker_path_(std::move(worker)) {}

  std::string Describe() const override { return "sketch " + witness::SafeName(settings_.elf); }

  std::string CommandLine() const override {
    std::string words = "--sketch " + ShellQuoted(settings_.elf);
    for (const auto& [key, value] : SketchSettingsMap(settings_))
      words += " --" + key + " " + ShellQuoted(value);
    return words;
  }

  bool virtual_time() const override { return true; }
  // Emulating is all work and no waiting: more at once than there are processors make none faster,
  // and each worker boots the sketch for itself.
  int most_at_once() const override {
    return std::max(1, static_cast<int>(std::thread::hardware_concurrency()));
  }

  Result<Observations> Run(const Part& part, const RunLimits& limits) override {
    if (interrupted_) return Status(Code::kInterrupted, "interrupted");
    Result<std::shared_ptr<Worker>> worker = Take();
    if (!worker.ok()) return worker.status();
    Result<Observations> answer = (*worker)->Ask({settings_, part, limits});
    const bool alive = answer.ok() || answer.status().code() != Code::kIo;
    GiveBack(*worker, alive);
    if (interrupted_) return Status(Code::kInterrupted, "interrupted");
    return answer;
  }

  void Interrupt() override {
    interrupted_ = true;
    const std::lock_guard<std::mutex> lock(mutex_);
    for (const std::shared_ptr<Worker>& worker : busy_) worker->Kill();
  }

 private:
  Result<std::shared_ptr<Worker>> Take() {
    const std::lock_guard<std::mutex> lock(mutex_);
    std::shared_ptr<Worker> worker;
    if (!idle_.empty()) {
      worker = std::move(idle_.back());
      idle_.pop_back();
    } else {
      worker = std::make_shared<Worker>();
      if (Status status = worker->Start(worker_path_); !status.ok()) return status;
    }
    busy_.push_back(worker);
    return worker;
  }

  void GiveBack(const std::shared_ptr<Worker>& worker, bool alive) {
    const std::lock_guard<std::mutex> lock(mutex_);
    std::erase(busy_, worker);
    if (alive) idle_.push_back(worker);
  }

  const SketchSettings settings_;
  const std::string worker_path_;
  std::atomic<bool> interrupted_ = false;
  std::mutex mutex_;
  std::vector<std::shared_ptr<Worker>> idle_;
  std::vector<std::shared_ptr<Worker>> busy_;
};

}  // namespace

Result<std::string> FindSketchWorker() {
  if (const char* named = std::getenv("BYTETRIAL_SKETCH_WORKER"); named != nullptr && *named != 0)
    return std::string(named);
  char own[4096];
  const ssize_t n = readlink("/proc/self/exe", own, sizeof own - 1);
  std::string folder = n > 0 ? std::string(own, static_cast<std::size_t>(n)) : std::string();
  folder = folder.substr(0, folder.rfind('/'));
  const std::string beside = folder + "/" + kWorkerName;
  if (access(beside.c_str(), X_OK) == 0) return beside;
  return Status(Code::kUnsupported,
                "sketches need the emulator, which this build was made without: install "
                "libsimavr-dev and libelf-dev, then build Bytewitness again");
}

Result<std::unique_ptr<Subject>> MakeSketchSubject(const SketchSettings& settings) {
  Result<std::string> worker = FindSketchWorker();
  if (!worker.ok()) return worker.status();
  return std::unique_ptr<Subject>(new SketchSubject(settings, *worker));
}

}  // namespace trial
