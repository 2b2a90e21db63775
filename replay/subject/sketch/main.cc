// bytetrial-sketch: started by bytetrial, one for each trial that runs at a time. Talks over its
// standard input and output (see proto/sketch.proto), not to a person.
#include <fcntl.h>
#include <unistd.h>

#include <cstdio>

#include "replay/subject/sketch/worker.h"

int main() {
  if (isatty(STDIN_FILENO) != 0) {
    std::fputs("bytetrial-sketch is started by bytetrial; type: bytetrial run --help\n", stderr);
    return 2;
  }
  // The emulator's library may print: that must not get between the answers.
  const int answers = dup(STDOUT_FILENO);
  const int nowhere = open("/dev/null", O_WRONLY | O_CLOEXEC);
  if (answers < 0 || nowhere < 0) return 3;
  dup2(nowhere, STDOUT_FILENO);
  return trial::RunSketchWorker(STDIN_FILENO, answers);
}
