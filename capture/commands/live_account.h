// The account of a conversation on the person's terminal while it is recorded: as `show` gives it
// later.
#pragma once

#include "capture/commands/screen.h"
#include "capture/record/recorder.h"
#include "capture/show/account.h"

namespace witness {

class LiveAccount {
 public:
  enum class What : std::uint8_t { kEverything, kAllButBytes };

  // All must outlive it, and it all events of the recorder.
  LiveAccount(Driver& driver, Recorder& recorder, Screen& screen, What what = What::kEverything);
  LiveAccount(const LiveAccount&) = delete;
  LiveAccount& operator=(const LiveAccount&) = delete;

  // Shows what still waits for the end of its line.
  void Finish() { account_.Finish(); }
  // Times begin anew: another file of the same recording.
  void Restart() { account_.Restart(); }

 private:
  void Arm();

  Driver& driver_;
  Recorder& recorder_;
  Account account_;
  bool armed_ = false;
};

}  // namespace witness
