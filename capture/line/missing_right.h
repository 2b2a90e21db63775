// Which right a person lacks who may not open a port, in words, and how to get it.
#pragma once

#include <string>

namespace witness {

// What the system says of a device node and of who runs the program.
struct DeviceAccess {
  bool seen = false;       // the node could be looked at
  std::string group;       // that owns it; empty: root, or one without a name
  bool group_may = false;  // the group may read and write
  bool in_login = false;   // this login is of the group
  bool joined = false;     // the group's list names the person, in this login or not
};

// Looks at nothing else than `access`; for nodes that the system refused to open.
std::string MissingRight(const DeviceAccess& access);

}  // namespace witness
