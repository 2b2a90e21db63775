// Real serial ports, through libserialport. The only file pair that knows that library.
#pragma once

#include <memory>
#include <string>

#include "capture/line/open_port.h"
#include "capture/line/port.h"

namespace witness {

// Opens a serial port for us alone, for both directions, non-blocking; settings are left to
// Configure(). `device` is the resolved device ("/dev/ttyUSB0"); `name` is what the person typed.
// Errors: kNotFound, kIo (busy: says who; no permission: says which group).
Result<std::unique_ptr<Port>> OpenSerialPort(const std::string& device, const std::string& name,
                                             const OpenOptions& options, OpenReport& report);

}  // namespace witness
