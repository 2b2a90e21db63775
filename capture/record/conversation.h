// Talking to a module: send, listen, set the line. What ask and survey are written against.
//
// A call returns when it is done in the line's own time, which a test lets pass virtually. All
// that is sent and heard is recorded. After kInterrupted or kDisconnected every further call fails
// alike.
#pragma once

#include <memory>
#include <string_view>

#include "capture/base/result.h"
#include "capture/line/driver.h"
#include "capture/record/exchange_collector.h"
#include "capture/record/recorder.h"

namespace witness {

class Conversation {
 public:
  virtual ~Conversation() = default;

  virtual Instant Now() = 0;

  // Sends `command` (nothing: only listens) and listens as long as `patience` says. What came
  // before the command left is recorded, but is not part of what was heard.
  virtual Result<Heard> Exchange(ByteView command, const Patience& patience) = 0;

  // Listens for exactly so long.
  virtual Result<Heard> Listen(Duration length) = 0;

  virtual Result<LineSettings> Configure(const LineSettings& settings) = 0;

  // Releases DTR or RTS (a LineBit) for `length`, then asserts it again. kUnsupported: the port
  // has no such line.
  virtual Status Pulse(std::uint32_t line_bit, Duration length) = 0;

  virtual void Note(std::string_view text) = 0;
};

// A conversation through a port. `driver`, `recorder` and `port` must outlive it; it adds the port
// to the driver and removes it again. An interrupt ends the call that runs with kInterrupted.
std::unique_ptr<Conversation> TalkThrough(Driver& driver, Recorder& recorder, Port& port,
                                          const LineSettings& got);

}  // namespace witness
