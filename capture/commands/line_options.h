// What the commands that use a port share: options of the line, opening, names of captures.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/base/result.h"
#include "capture/line/open_port.h"
#include "capture/line/port.h"

namespace CLI {
class App;
}

namespace witness {

struct LineOptions {
  std::uint32_t baud = 9600;
  std::string format = "8N1";
  std::string flow = "none";
  OpenOptions open;
};

// --baud, --format, --flow, --hold-lines and --low-latency.
void AddLineOptions(CLI::App& command, LineOptions& options);
Result<LineSettings> ToSettings(const LineOptions& options);

struct OpenedPort {
  std::unique_ptr<Port> port;
  LineSettings got;
  OpenReport report = {};
};

// Opens and sets a port. What the person should know of how that went is told on stderr: a rate
// that the hardware did not take (it is used), lines that rose all the same, latency as it was.
Result<OpenedPort> OpenAndSet(const std::string& name, const LineSettings& settings,
                              const OpenOptions& options = {});

// An option's text as a length of time; nullopt if it was not given.
Result<std::optional<Duration>> OptionalDuration(const char* option, const std::string& text);

// "ask.witness", or "ask-2.witness" and so on if there are such files already.
std::string FreeCaptureName(const std::string& stem);

}  // namespace witness
