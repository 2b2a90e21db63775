// Where a port is to be found again after it was unplugged: its name may be another one then.
#pragma once

#include <string>

#include "capture/line/open_port.h"

namespace witness {

struct PortHome {
  std::string name;  // as opened
  PortFacts facts;   // at that time
  // The serial number belongs to this adapter alone among those plugged in. Cheap adapters share
  // one, or have none: then the USB socket tells.
  bool serial_number_tells = false;
};

// Asked while the port is there.
PortHome HomeOf(const std::string& name, const SystemFolders& folders = {});

// The name that the port has now; empty: it is not there. An adapter on USB is known by its serial
// number whatever socket it is in, one without by its socket; all else by its name.
std::string FindAgain(const PortHome& home, const SystemFolders& folders = {});

}  // namespace witness
