#include "capture/record/bridge.h"

namespace witness {
namespace {

// Reading pauses above the first and goes on below the second.
constexpr std::size_t kFull = 256 * 1024;
constexpr std::size_t kRoom = 64 * 1024;
constexpr Duration kLookAgain = Duration::Milliseconds(1);

}  // namespace

Bridge::Bridge(Driver& driver, Recorder& recorder, Port& host, Port& module, OnEnd on_end)
    : driver_(driver),
      host_(host),
      module_(module),
      on_end_(std::move(on_end)),
      alive_(std::make_shared<bool>(true)) {
  driver_.AddPort(host_, recorder.Handlers(
                             Side::kHost,
                             [this](Instant, ByteView bytes) {
                               from_host_ += bytes.size();
                               Pass(host_, module_, bytes);
                             },
                             [this](Instant, ReadOutcome why, const Status& status) {
                               Ended(Side::kHost, why, status);
                             }));
  driver_.AddPort(module_, recorder.Handlers(
                               Side::kModule,
                               [this](Instant, ByteView bytes) {
                                 from_module_ += bytes.size();
                                 Pass(module_, host_, bytes);
                               },
                               [this](Instant, ReadOutcome why, const Status& status) {
                                 Ended(Side::kModule, why, status);
                               }));
}

Bridge::~Bridge() {
  *alive_ = false;
  driver_.RemovePort(host_);
  driver_.RemovePort(module_);
}

std::size_t Bridge::Unwritten() const {
  return driver_.Unwritten(host_) + driver_.Unwritten(module_);
}

void Bridge::Pass(Port& from, Port& to, ByteView bytes) {
  driver_.Write(to, bytes);
  if (driver_.Unwritten(to) <= kFull) return;
  driver_.PauseReading(from, true);
  AwaitRoom(from, to);
}

void Bridge::AwaitRoom(Port& from, Port& to) {
  driver_.SetTimer(driver_.clock().Now() + kLookAgain, [this, alive = alive_, &from, &to](Instant) {
    if (!*alive) return;
    if (driver_.Unwritten(to) > kRoom)
      AwaitRoom(from, to);
    else
      driver_.PauseReading(from, false);
  });
}

void Bridge::Ended(Side side, ReadOutcome why, const Status& status) {
  if (ended_) return;
  ended_ = true;
  if (on_end_) on_end_(side, why, status);
}

}  // namespace witness
