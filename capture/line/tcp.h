// Sockets for the ports that are reached over a network. Only line/ includes this.
#pragma once

#include <cstdint>
#include <string>

#include "capture/base/instant.h"
#include "capture/base/result.h"

namespace witness {

// "host:port", "[v6]:port" or, for listening, a port alone, which then is on loopback.
struct NetworkAddress {
  std::string host;
  std::string port;
  std::string Text() const;
};
Result<NetworkAddress> ParseAddress(const std::string& text, bool port_alone);

// A descriptor that is closed with its owner.
class Socket {
 public:
  Socket() = default;
  explicit Socket(int descriptor) : descriptor_(descriptor) {}
  ~Socket() { Close(); }
  Socket(Socket&& other) noexcept : descriptor_(other.Release()) {}
  Socket& operator=(Socket&& other) noexcept;
  void Close();
  int Release();
  int get() const { return descriptor_; }
  bool open() const { return descriptor_ >= 0; }

 private:
  int descriptor_ = -1;
};

// Non-blocking and without Nagle's delay. Waits at most `limit` for the other side.
Result<Socket> ConnectTo(const NetworkAddress& address, Duration limit);
// `bound` gets the address in fact, with the number that the system chose for port 0.
Result<Socket> ListenAt(const NetworkAddress& address, std::string& bound);
// A waiting client and who it is; not open: none waits.
Result<Socket> AcceptFrom(int listener, std::string& who);
// Whether only this machine can reach it.
bool IsLoopback(int socket);

}  // namespace witness
