// Keeps one port that is recorded: closes it at once when it was unplugged, finds it again under
// whatever name it has then, opens and sets it as before.
//
// Closing at once matters: the kernel gives an adapter its old name back only if nobody holds it.
// Looking costs a walk through sysfs each 100 ms, and only while the port is away.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "capture/line/driver.h"
#include "capture/line/port_home.h"

namespace witness {

class PortKeeper {
 public:
  static constexpr Duration kLookEvery = Duration::Milliseconds(100);

  struct Found {
    std::unique_ptr<Port> port;
    LineSettings got;
  };
  // Opens the port anew, if it is there; any failure means not yet. `settings` are the last known.
  using Finder = std::function<Result<Found>(const LineSettings& settings)>;
  // The port is there again after `away`. Its name may be new.
  using OnBack = std::function<void(Instant at, Port& port, Duration away)>;

  // `driver` must outlive the keeper.
  PortKeeper(Driver& driver, std::unique_ptr<Port> port, const LineSettings& settings,
             Finder finder);
  ~PortKeeper();
  PortKeeper(const PortKeeper&) = delete;
  PortKeeper& operator=(const PortKeeper&) = delete;

  // Null while it is away.
  Port* port() { return port_.get(); }

  // The port has ended: it leaves the driver and is closed. Then looks for it until it is back.
  // `settings` are those to set then.
  void AwaitReturn(Instant now, const LineSettings& settings, OnBack on_back);

  // Gives up looking; closes the port if it is there.
  Status Close();

 private:
  void Look();

  Driver& driver_;
  std::unique_ptr<Port> port_;
  std::unique_ptr<Port> leaving_;  // its handler may still be running
  LineSettings settings_;
  Finder finder_;
  OnBack on_back_;
  Instant left_;
  std::optional<TimerId> timer_;
};

// Finds the port that `name` is now (see PortHome), with the same options.
PortKeeper::Finder FindByHome(const std::string& name, const OpenOptions& options);

}  // namespace witness
