// Passes what is said between two ports unchanged and records both sides.
//
// Bytes are written on before they are recorded, and recorded many at a time, 50 ms later at most
// (Recorder::HoldBytes). When one side takes bytes more slowly than the
// other gives them, reading from the giver pauses, so that the sender feels it as on a wire with
// flow control, and memory stays bounded.
//
// What else goes over, where the ports can: settings, RTS, DTR and breaks that the host asks for
// (the program of a pty: its rate; a client by RFC 2217: all), after the bytes before them have
// left; breaks that come in from either side; and changes of the modem lines, crossed over as a
// null-modem cable does.
#pragma once

#include <array>
#include <deque>
#include <functional>
#include <memory>
#include <optional>

#include "capture/record/recorder.h"

namespace witness {

// How long bytes stood between being read and being written on, as the driver's clock has it; a
// histogram with steps of a quarter.
class PassingDelays {
 public:
  void Add(Duration delay);
  std::uint64_t count() const { return count_; }
  // Of all, this share (0 to 1) was passed on within this time, rounded up to the step.
  Duration Within(double share) const;

 private:
  static constexpr int kSteps = 160;
  std::array<std::uint64_t, kSteps> steps_ = {};
  std::uint64_t count_ = 0;
};

class Bridge {
 public:
  // A port has ended; while it is away nothing is passed on to it (bytes for it are recorded and
  // lost, as on an open wire). Called once for each port given.
  using OnEnd = std::function<void(Side side, ReadOutcome why, const Status& status)>;

  // All must outlive the bridge. `host` is where the program is, `module` where the module is;
  // `got` is how the module's port is set. `pass_lines`: false leaves RTS and DTR of both alone.
  Bridge(Driver& driver, Recorder& recorder, Port& host, Port& module, OnEnd on_end,
         const LineSettings& got = {}, bool pass_lines = true);
  ~Bridge();
  Bridge(const Bridge&) = delete;
  Bridge& operator=(const Bridge&) = delete;

  // The port of `side` is no longer there; called before it is destroyed.
  void Leave(Side side);
  // A port for that side is there (again).
  void Join(Side side, Port& port);

  // How the module's port is set now.
  const LineSettings& got() const { return got_; }

  // Of what the other side took at once; the kernel's ways to us and from us are not in it.
  const PassingDelays& delays() const { return delays_; }

  // Bytes taken from one side that the other has not taken yet.
  std::size_t Unwritten() const;

 private:
  // One thing that waits until what was said before it has left the module's port.
  struct Waiting {
    std::optional<LineRequest> request;
    Bytes bytes;
  };

  Port*& PortOf(Side side) { return side == Side::kHost ? host_ : module_; }
  static Side Other(Side side) { return side == Side::kHost ? Side::kModule : Side::kHost; }
  void Attach(Side side, Port& port);
  void OnBytes(Side side, Instant at, ByteView bytes);
  void Pass(Side from, ByteView bytes);
  void PassAndMeasure(Side from, Instant at, ByteView bytes);
  void AwaitRoom(Side from);
  void OnRequest(Instant at, const LineRequest& request);
  void WorkOffWaiting();
  void Apply(const LineRequest& request);
  void PassBreak(Side to);
  void PassLines(Side from, std::uint32_t asserted, std::uint32_t changed);
  void ShowLinesOf(Side side);
  void LookForRequests();
  void After(Duration wait, std::function<void()> call);

  Driver& driver_;
  Recorder& recorder_;
  Port* host_ = nullptr;
  Port* module_ = nullptr;
  OnEnd on_end_;
  LineSettings got_;
  PassingDelays delays_;
  bool pass_lines_;
  std::deque<Waiting> waiting_;
  bool working_off_ = false;
  Instant give_up_;               // on draining
  std::uint32_t host_lines_ = 0;  // LineBit: as asked for
  std::shared_ptr<bool> alive_;   // timers look here before they touch the bridge
};

}  // namespace witness
