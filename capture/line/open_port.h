// From a name that a person typed to a port, and the ports that are there.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "capture/line/port.h"

namespace witness {

// How a port is to be opened, where the kernel has a choice.
struct OpenOptions {
  // Leaves DTR and RTS as they are when the port is closed, so that the next opening does not
  // change them. Linux itself raises both at the first opening after a board was plugged in.
  bool hold_lines = false;
  // Asks the driver to hand on bytes sooner; put back at the close.
  bool low_latency = false;
};

// What came of it.
struct OpenReport {
  bool has_lines = false;        // a real port: opening it raises DTR and RTS
  bool lines_were_held = false;  // the close before left the lines as they were: no edge now
  bool has_rate = true;          // false: bytes cross at once (pty, TCP), whatever rate is set
  Status low_latency;            // kUnsupported: the driver has no such thing
};

// Opens "/dev/ttyUSB0", a link to it (/dev/serial/by-id/...), the program's side of a pty, a port
// of another machine ("rfc2217://HOST:PORT") or a TCP connection ("tcp://HOST:PORT"). Opening a
// real port raises DTR and RTS, on which many boards reset (see OpenOptions). Errors: kNotFound,
// kInvalidArgument (not a serial line), kIo (busy, no permission).
Result<std::unique_ptr<Port>> OpenPort(const std::string& name, const OpenOptions& options = {},
                                       OpenReport* report = nullptr);

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
  int usb_interface = -1;  // of an adapter with several ports: which
  int usb_port = -1;       // the same, of one interface with several ports
  std::string usb_place;   // the socket it is plugged into, by the system's name: "1-2.4"
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
// `held_by` is left empty if nobody asks for it: to find out takes a look at every process.
std::vector<PortFacts> ListPorts(const SystemFolders& folders = {}, bool held_by = true);

// Facts of one port by the name it was opened with.
PortFacts FactsOf(const std::string& name, const SystemFolders& folders = {});

}  // namespace witness
