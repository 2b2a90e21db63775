// Passes bytes between two ports unchanged and records both sides.
//
// Bytes are written on before they are recorded. When one side takes bytes more slowly than the
// other gives them, reading from the giver pauses, so that the sender feels it as on a wire with
// flow control, and memory stays bounded.
#pragma once

#include <functional>
#include <memory>

#include "capture/record/recorder.h"

namespace witness {

class Bridge {
 public:
  // Called once, when either port has ended; the bridge passes nothing on from then.
  using OnEnd = std::function<void(Side side, ReadOutcome why, const Status& status)>;

  // All must outlive the bridge. `host` is where the program is, `module` where the module is.
  Bridge(Driver& driver, Recorder& recorder, Port& host, Port& module, OnEnd on_end);
  ~Bridge();
  Bridge(const Bridge&) = delete;
  Bridge& operator=(const Bridge&) = delete;

  std::uint64_t bytes_from_host() const { return from_host_; }
  std::uint64_t bytes_from_module() const { return from_module_; }
  // Bytes taken from one side that the other has not taken yet.
  std::size_t Unwritten() const;

 private:
  void Pass(Port& from, Port& to, ByteView bytes);
  void AwaitRoom(Port& from, Port& to);
  void Ended(Side side, ReadOutcome why, const Status& status);

  Driver& driver_;
  Port& host_;
  Port& module_;
  OnEnd on_end_;
  std::uint64_t from_host_ = 0;
  std::uint64_t from_module_ = 0;
  bool ended_ = false;
  std::shared_ptr<bool> alive_;  // timers look here before they touch the bridge
};

}  // namespace witness
