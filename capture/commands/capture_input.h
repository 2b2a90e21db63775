// What the commands that read a capture share: opening it, saying how it ended, writing out.
#pragma once

#include <cstdio>
#include <memory>
#include <string>
#include <string_view>

#include "capture/base/result.h"
#include "capture/store/capture_reader.h"

namespace witness {

// Writes to standard output or, if a path was given, to a new file. An error is kept: see Close.
class TextOutput {
 public:
  // Empty or "-": standard output. An existing file is replaced.
  static Result<std::unique_ptr<TextOutput>> Open(const std::string& path);
  ~TextOutput();
  Status Write(std::string_view text);
  Status Close();

 private:
  TextOutput(std::FILE* file, std::string path) : file_(file), path_(std::move(path)) {}
  Status Failed() const;
  std::FILE* file_;
  std::string path_;
};

// To be called once a reader came to its end. Says on stderr if the capture was cut off or damaged,
// and gives the exit status: done, or no if something in it proved wrong.
int SayHowItEnded(std::string_view program, const std::string& path, const CaptureEnding& ending);

}  // namespace witness
