// Ports over a network: a plain TCP connection, a serial port of another machine by RFC 2217, and
// the place where a program connects instead of opening a pty.
#pragma once

#include <memory>
#include <string>

#include "capture/line/port.h"

namespace witness {

// "tcp://HOST:PORT" or "rfc2217://HOST:PORT"?
bool IsNetworkName(const std::string& name);

// Connects, within 5 s. A TCP connection has neither rate nor modem lines. An RFC 2217 server is
// asked for both; one that does not speak the COM-PORT option is an error.
// Errors: kInvalidArgument (name), kNotFound, kIo, kUnsupported.
Result<std::unique_ptr<Port>> ConnectPort(const std::string& name);

// Waits for one client at a time; the next one may come when it has left. What is written while
// none is there is dropped, as on a wire. Clients that come and go are told as notes and never as
// the end of the port.
class ListeningPort : public Port {
 public:
  // "HOST:PORT", "PORT" (then on loopback) or either behind "rfc2217://".
  static Result<std::unique_ptr<ListeningPort>> Create(const std::string& where);
  // What a client is to connect to, with the port number in fact.
  virtual const std::string& address() const = 0;
  // Whether other machines can reach it.
  virtual bool reachable_from_outside() const = 0;
};

}  // namespace witness
