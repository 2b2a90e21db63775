// A real board on the bench on trial: we are the module at its port. Or, with a part that plays the
// host, a real module: we send the commands and note its answers.
#pragma once

#include <memory>
#include <string>

#include "replay/subject/subject.h"

namespace trial {

struct PortSetup {
  std::string port;
  bool reset_by_dtr = false;  // before each trial DTR is dropped for a moment: many boards restart
  std::string watch;          // a second port with what the board prints; empty: none
};

std::unique_ptr<Subject> MakePortSubject(const PortSetup& setup);

}  // namespace trial
