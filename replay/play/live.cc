#include "replay/play/live.h"

#include <utility>

namespace trial {

LivePlayer::LivePlayer(Player& player, witness::Driver& driver, witness::Port& port, Duration spin,
                       LiveHooks hooks)
    : player_(player), driver_(driver), port_(port), spin_(spin), hooks_(std::move(hooks)) {}

LivePlayer::~LivePlayer() { Stop(); }

void LivePlayer::Start() {
  running_ = true;
  witness::PortHandlers handlers;
  handlers.on_bytes = [this](Instant at, ByteView bytes) {
    if (!running_) return;
    if (hooks_.on_heard) hooks_.on_heard(at, bytes);
    if (!running_) return;
    player_.Receive(at, bytes);
    Step();
  };
  handlers.on_end = [this](Instant at, witness::ReadOutcome why, const witness::Status& status) {
    if (hooks_.on_end) hooks_.on_end(at, why, status);
  };
  driver_.AddPort(port_, std::move(handlers));
  player_.Start(driver_.clock().Now());
  Step();
}

void LivePlayer::Stop() {
  if (!running_) return;
  running_ = false;
  if (timer_ != 0) driver_.CancelTimer(timer_);
  timer_ = 0;
  driver_.RemovePort(port_);
}

// Sends what is due, waits by looking at the clock for what is due within `spin_`, and arms the
// timer for the rest. Between two waits the port gets its turn.
void LivePlayer::Step() {
  Instant now = driver_.clock().Now();
  const Instant next = player_.NextAt();
  if (next > now && !next.never() && next - now <= spin_)
    while (now < next) now = driver_.clock().Now();
  sends_.clear();
  player_.Advance(now, sends_);
  for (const Send& send : sends_) {
    driver_.Write(port_, send.bytes);
    if (hooks_.on_said) hooks_.on_said(send, driver_.clock().Now());
    if (!running_) return;
  }
  if (hooks_.on_step) hooks_.on_step(driver_.clock().Now());
  if (running_) Arm();
}

void LivePlayer::Arm() {
  if (timer_ != 0) driver_.CancelTimer(timer_);
  timer_ = 0;
  const Instant next = player_.NextAt();
  if (next.never()) return;
  timer_ = driver_.SetTimer(next - spin_, [this](Instant) {
    timer_ = 0;
    if (running_) Step();
  });
}

}  // namespace trial
