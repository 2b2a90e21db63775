// One recorded conversation with a port, for ask, survey and talk: port, capture file, driver.
#pragma once

#include <memory>
#include <string>

#include "capture/commands/line_options.h"
#include "capture/record/conversation.h"
#include "capture/record/recorder.h"

namespace witness {

class Session {
 public:
  // Opens the port first, so that a wrong name leaves no file behind. From then on an interrupt
  // ends the conversation's first call, so that the file is closed properly.
  static Result<std::unique_ptr<Session>> Open(const std::string& port_name,
                                               const LineSettings& settings,
                                               const OpenOptions& open, Origin origin,
                                               const std::string& capture_path, bool replace);
  ~Session();

  Conversation& conversation() { return *conversation_; }
  Recorder& recorder() { return *recorder_; }
  Driver& driver() { return *driver_; }
  Port& port() { return *opened_.port; }
  const LineSettings& got() const { return opened_.got; }
  bool has_rate() const { return opened_.report.has_rate; }
  const std::string& capture_path() const { return capture_path_; }

  // Closes the capture, then the port. `talked` is how the talk ended; the first failure counts.
  Status Close(const Status& talked);

 private:
  Session() = default;

  OpenedPort opened_;
  std::string capture_path_;
  std::unique_ptr<MonotonicClock> clock_;
  std::unique_ptr<Driver> driver_;
  std::unique_ptr<CaptureWriter> writer_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Conversation> conversation_;
};

}  // namespace witness
