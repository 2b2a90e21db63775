// One run of `bytewitness record`: ports, files, what is shown meanwhile.
#pragma once

#include <string>

#include "capture/commands/line_options.h"

namespace witness {

struct RecordOptions {
  LineOptions line;
  std::string port;
  std::string port2;   // with --between: where the program is
  std::string far;     // listening: the tap on the other side
  std::string listen;  // with --between: where a program connects by TCP
  std::string out;
  std::string side = "unknown";
  std::string link;
  std::string length;
  std::string until_silent;
  std::string live = "auto";
  std::string durability = "normal";
  std::string on_unplug = "stop";
  std::string split_every;
  std::string keep_free = "64MB";
  bool between = false;
  bool replace = false;
  bool quiet_live = false;
};

// Runs until it ends by itself or the person ends it; returns the exit status.
int RunRecording(const RecordOptions& options);

}  // namespace witness
