// From a name that a person typed to a port, and the ports that are there.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "capture/line/port.h"

namespace witness {

// Opens "/dev/ttyUSB0", a link to it (/dev/serial/by-id/...), the program's side of a pty, a port
// of another machine ("rfc2217://HOST:PORT") or a TCP connection ("tcp://HOST:PORT"). Opening a
// real port raises DTR and RTS, on which many boards reset. Errors: kNotFound, kInvalidArgument
// (not a serial line), kIo (busy, no permission).
Result<std::unique_ptr<Port>> OpenPort(const std::string& name);

// What the system tells of a port without opening it. Texts are hostile; empty or negative: not
// known.
struct PortFacts {
  std::string name;         // "/dev/ttyUSB0"
  std::string description;  // "FT232R USB UART"
  std::string maker;
  std::string driver;  // kernel driver
  std::string serial_number;
  int usb_vendor = -1;
  int usb_product = -1;
  int latency_timer_ms = -1;
  std::string held_by;  // "program (process 12)", if it can be seen
};

// Where the system's folders are; tests put trees of their own there.
struct SystemFolders {
  std::string sys = "/sys";
  std::string dev = "/dev";
};

// Looks through sysfs; opens nothing, so no board resets. Sorted by name, numbers as numbers.
// 16550 ports that have no hardware behind them are left out, and so are ptys and consoles.
std::vector<PortFacts> ListPorts(const SystemFolders& folders = {});

// Facts of one port by the name it was opened with.
PortFacts FactsOf(const std::string& name, const SystemFolders& folders = {});

}  // namespace witness
