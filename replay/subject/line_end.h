// Our end of the line to a program: a pty, its standard input and output, or a TCP connection.
#pragma once

#include <memory>
#include <string>

#include "capture/base/result.h"
#include "capture/line/port.h"

namespace trial {

enum class Link : std::uint8_t { kPty = 1, kStandardStreams = 2, kTcp = 3 };

class LineEnd {
 public:
  static witness::Result<std::unique_ptr<LineEnd>> Create(Link link,
                                                          const witness::LineSettings& line);
  virtual ~LineEnd() = default;

  // What {port} stands for: "/dev/pts/5", "127.0.0.1:40123"; empty for standard streams.
  virtual std::string name() const = 0;
  // The child's standard input and output if they are the line; else -1.
  virtual int child_end() const { return -1; }
  // Becomes readable when the program connects (then call Accept); -1: the port is there at once.
  virtual int connect_handle() const { return -1; }
  virtual witness::Status Accept() { return witness::OkStatus(); }
  // Null until connected.
  virtual witness::Port* port() = 0;
  // Sent by us and not read by the program, as far as the kernel tells.
  virtual std::size_t unread() const = 0;
};

}  // namespace trial
