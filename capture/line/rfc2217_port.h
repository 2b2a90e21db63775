// The two ends of a serial port over Telnet (RFC 2217) as ports. Only line/ includes this.
#pragma once

#include <memory>
#include <string>
#include <string_view>

#include "capture/line/port.h"

namespace witness {

inline constexpr std::string_view kRfc2217Scheme = "rfc2217://";

// Uses the port that a server has; takes over the connected, non-blocking socket. Waits up to 3 s
// for the server to agree.
Result<std::unique_ptr<Port>> UseRfc2217(int socket, const std::string& name);

// Serves one client; takes over the socket. What the client asks of the line comes as requests with
// the reads; it gets its answer with ShowSettings().
std::unique_ptr<Port> ServeRfc2217(int socket, const std::string& name);

// recv(2) and send(2) with their outcomes told apart.
ReadResult ReceiveFrom(int socket, std::span<char> buffer, const std::string& name);
Result<std::size_t> SendTo(int socket, ByteView bytes, const std::string& name);

}  // namespace witness
