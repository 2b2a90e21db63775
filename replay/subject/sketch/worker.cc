#include "replay/subject/sketch/worker.h"

#include <poll.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <memory>
#include <optional>

#include "replay/subject/sketch/session.h"
#include "replay/subject/sketch_job.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::Status;

bool ReadAll(int from, char* data, std::size_t size) {
  while (size > 0) {
    const ssize_t n = read(from, data, size);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    data += n;
    size -= static_cast<std::size_t>(n);
  }
  return true;
}

bool WriteAll(int to, ByteView bytes) {
  while (!bytes.empty()) {
    const ssize_t n = write(to, bytes.data(), bytes.size());
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(n));
  }
  return true;
}

std::optional<Bytes> ReadFrame(int from) {
  char head[kFrameHead];
  if (!ReadAll(from, head, sizeof head)) return std::nullopt;
  const std::size_t length = FrameLength(ByteView(head, sizeof head));
  if (length > kLargestFrame) return std::nullopt;
  Bytes frame(length, '\0');
  if (!ReadAll(from, frame.data(), length)) return std::nullopt;
  return frame;
}

// A board that has been started up, with what it was made of.
struct Snapshot {
  SketchSettings asked;
  SketchSettings settings;  // as asked, and what was found in the sketch
  std::uint32_t baud = 0;
  ElfImage image;
  std::unique_ptr<SketchSession> session;
};

// Starts the board up; once more if it turns out where the sketch talks.
Status Start(Snapshot& snapshot) {
  for (;;) {
    auto session = SketchSession::Create(snapshot.image, snapshot.settings, snapshot.baud);
    if (!session.ok()) return session.status();
    snapshot.session = std::move(*session);
    snapshot.session->Boot();
    const auto talk = snapshot.session->FoundTalk();
    if (!talk) return witness::OkStatus();
    snapshot.settings.talk = *talk;
    snapshot.settings.talk_found = true;
  }
}

bool SaysSomethingBefore(const Part& part, Instant at) {
  for (const Unasked& unasked : part.unasked)
    if (unasked.at && Instant() + *unasked.at <= at) return true;
  return false;
}

Result<Observations> RunTrial(Snapshot& snapshot, const SketchJob& job) {
  bool early = SaysSomethingBefore(job.part, snapshot.session->booted());
  for (const Duration dip : snapshot.settings.brown_outs)
    early = early || Instant() + dip <= snapshot.session->booted();
  if (!early) return snapshot.session->Run(job.part, job.limits);
  // What the module says or the supply does falls before the snapshot: from the start, then.
  auto fresh = SketchSession::Create(snapshot.image, snapshot.settings, snapshot.baud);
  if (!fresh.ok()) return fresh.status();
  return (*fresh)->Run(job.part, job.limits);
}

// Reads the child's answer to its end, so that one that dies in the middle cannot harm the stream.
Bytes Collect(int from) {
  Bytes all;
  char buffer[65536];
  for (;;) {
    const ssize_t n = read(from, buffer, sizeof buffer);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return all;
    all.append(buffer, static_cast<std::size_t>(n));
  }
}

Bytes RunForked(Snapshot& snapshot, const SketchJob& job, int in, int out) {
  int ends[2];
  if (pipe(ends) != 0)
    return SerializeSketchAnswer(
        Status(Code::kIo, std::string("no pipe: ") + std::strerror(errno)));
  const pid_t child = fork();
  if (child < 0) {
    close(ends[0]);
    close(ends[1]);
    return SerializeSketchAnswer(
        Status(Code::kIo, std::string("no fork: ") + std::strerror(errno)));
  }
  if (child == 0) {
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    close(ends[0]);
    close(in);
    close(out);
    const bool written = WriteAll(ends[1], SerializeSketchAnswer(RunTrial(snapshot, job)));
    _exit(written ? 0 : 1);
  }
  close(ends[1]);
  Bytes answer = Collect(ends[0]);
  close(ends[0]);
  int status = 0;
  while (waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  if (WIFEXITED(status) && WEXITSTATUS(status) == 0) return answer;
  // The emulator itself fell over what the sketch did. That is an observation about the sketch.
  Observations seen;
  seen.virtual_time = true;
  seen.ending = SubjectEnding::kCrashed;
  seen.ending_words = WIFSIGNALED(status) ? std::string("brought the emulator down (") +
                                                strsignal(WTERMSIG(status)) + ")"
                                          : std::string("brought the emulator down");
  return SerializeSketchAnswer(seen);
}

}  // namespace

int RunSketchWorker(int in, int out) {
  signal(SIGPIPE, SIG_IGN);
  std::unique_ptr<Snapshot> snapshot;
  while (std::optional<Bytes> frame = ReadFrame(in)) {
    Result<SketchJob> job = DeserializeSketchJob(*frame);
    Bytes answer;
    if (!job.ok()) {
      answer = SerializeSketchAnswer(job.status());
    } else {
      Status status;
      if (snapshot == nullptr || !(snapshot->asked == job->settings) ||
          snapshot->baud != job->part.line.baud) {
        snapshot = std::make_unique<Snapshot>();
        snapshot->asked = snapshot->settings = job->settings;
        snapshot->baud = job->part.line.baud;
        Result<ElfImage> image = ReadElf(job->settings.elf);
        if (image.ok()) {
          snapshot->image = std::move(*image);
          status = Start(*snapshot).In(job->settings.elf);
        } else {
          status = image.status();
        }
      }
      answer = status.ok() ? RunForked(*snapshot, *job, in, out) : SerializeSketchAnswer(status);
      if (!status.ok()) snapshot.reset();
    }
    if (!WriteAll(out, Framed(answer))) return 3;
  }
  return 0;
}

}  // namespace trial
