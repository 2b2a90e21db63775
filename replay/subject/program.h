// A program on trial, in real time, with a line of its own for each trial.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "replay/subject/line_end.h"
#include "replay/subject/subject.h"

namespace trial {

struct ProgramSetup {
  std::vector<std::string> arguments;  // "{port}" in any of them becomes the line's name
  Link link = Link::kPty;
  // The last stretch before a send that is waited for by looking at the clock.
  Duration spin = Duration::Microseconds(100);
};

// kInvalidArgument if no argument has {port} and the line is not the program's standard streams.
witness::Result<std::unique_ptr<Subject>> MakeProgramSubject(const ProgramSetup& setup);

// One word of a command line, quoted for a POSIX shell where need be; with control characters in
// it, for bash, so that it survives being shown on a terminal.
std::string ShellQuoted(const std::string& word);

}  // namespace trial
