// What is left half made if the person ends a command: taken away then, and the exit status is 130.
#pragma once

#include <string>

namespace witness {

// As long as one lives, SIGINT and SIGTERM remove `path`, a file or a folder of files named "0" to
// "999", and end the program. Made and destroyed on the main thread; a few at a time.
class Leftover {
 public:
  explicit Leftover(const std::string& path);
  ~Leftover();
  Leftover(const Leftover&) = delete;
  Leftover& operator=(const Leftover&) = delete;

 private:
  int place_ = -1;
};

}  // namespace witness
