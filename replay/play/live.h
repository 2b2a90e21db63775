// A player at a real port, in real time: joins Player, Port and Driver.
//
// A poll wakes up tens of microseconds late (28 us at the median, 742 us at the 99th percentile,
// measured on a shared machine), so the last stretch before a send is waited for by looking at the
// clock. No maximum can be promised: `on_said` tells when each write was really done.
#pragma once

#include <functional>
#include <vector>

#include "capture/line/driver.h"
#include "replay/play/player.h"

namespace trial {

struct LiveHooks {
  std::function<void(const Send& send, Instant sent)> on_said;
  // Before the player is given them.
  std::function<void(Instant at, ByteView bytes)> on_heard;
  std::function<void(Instant at, witness::ReadOutcome why, const witness::Status& status)> on_end;
  // After each step of the player.
  std::function<void(Instant at)> on_step;
};

class LivePlayer {
 public:
  // All of them must outlive this object. `spin`: how long before a send to look at the clock
  // instead of sleeping; zero: not at all.
  LivePlayer(Player& player, witness::Driver& driver, witness::Port& port, Duration spin,
             LiveHooks hooks);
  ~LivePlayer();
  LivePlayer(const LivePlayer&) = delete;
  LivePlayer& operator=(const LivePlayer&) = delete;

  // Adds the port to the driver and starts the player at the driver's present time.
  void Start();
  // Nothing more is sent or heard.
  void Stop();

 private:
  void Step();
  void Arm();

  Player& player_;
  witness::Driver& driver_;
  witness::Port& port_;
  Duration spin_;
  LiveHooks hooks_;
  std::vector<Send> sends_;
  witness::TimerId timer_ = 0;
  bool running_ = false;
};

}  // namespace trial
