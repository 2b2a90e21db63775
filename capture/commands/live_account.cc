#include "capture/commands/live_account.h"

namespace witness {
namespace {

AccountOptions Looks(const Screen& screen) {
  AccountOptions looks;
  looks.color = screen.colour();
  return looks;
}

}  // namespace

LiveAccount::LiveAccount(Driver& driver, Recorder& recorder, Screen& screen, What what)
    : driver_(driver),
      recorder_(recorder),
      account_(Looks(screen), [&screen](std::string_view line) {
        line.remove_suffix(1);  // its LF, which the screen gives
        screen.Data(std::string(line));
      }) {
  recorder.Watch([this, what](const Event& event) {
    if (what == What::kAllButBytes && event.kind == EventKind::kBytes) return;
    account_.Take(event);
    Arm();
  });
}

void LiveAccount::Arm() {
  if (armed_ || account_.NextTick().never()) return;
  armed_ = true;
  driver_.SetTimer(recorder_.began() + (account_.NextTick() - Instant()), [this](Instant now) {
    recorder_.RecordHeld();
    armed_ = false;
    account_.Tick(Instant() + (now - recorder_.began()));
    Arm();
  });
}

}  // namespace witness
