#include "capture/record/port_keeper.h"

#include <utility>

namespace witness {

PortKeeper::PortKeeper(Driver& driver, std::unique_ptr<Port> port, const LineSettings& settings,
                       Finder finder)
    : driver_(driver), port_(std::move(port)), settings_(settings), finder_(std::move(finder)) {}

PortKeeper::~PortKeeper() { Close().Ignore(); }

void PortKeeper::AwaitReturn(Instant now, const LineSettings& settings, OnBack on_back) {
  if (port_ == nullptr) return;
  driver_.RemovePort(*port_);
  // What is left to write goes nowhere; the outcome of closing an unplugged port says nothing.
  port_->Close().Ignore();
  leaving_ = std::move(port_);
  settings_ = settings;
  on_back_ = std::move(on_back);
  left_ = now;
  timer_ = driver_.SetTimer(now, [this](Instant) { Look(); });
}

void PortKeeper::Look() {
  timer_.reset();
  leaving_.reset();
  Result<Found> found = finder_(settings_);
  const Instant now = driver_.clock().Now();
  if (!found.ok()) {
    timer_ = driver_.SetTimer(now + kLookEvery, [this](Instant) { Look(); });
    return;
  }
  port_ = std::move(found->port);
  const OnBack call = std::exchange(on_back_, {});
  if (call) call(now, *port_, now - left_);
}

Status PortKeeper::Close() {
  if (timer_) driver_.CancelTimer(*timer_);
  timer_.reset();
  if (port_ == nullptr) return OkStatus();
  driver_.RemovePort(*port_);
  const Status status = port_->Close();
  port_.reset();
  return status;
}

PortKeeper::Finder FindByHome(const std::string& name, const OpenOptions& options) {
  return [home = HomeOf(name), options](const LineSettings& settings) -> Result<PortKeeper::Found> {
    const std::string now = FindAgain(home);
    if (now.empty()) return Status(Code::kNotFound, home.name + ": not there");
    Result<std::unique_ptr<Port>> port = OpenPort(now, options);
    if (!port.ok()) return port.status();
    const Result<LineSettings> got = (*port)->Configure(settings);
    if (!got.ok()) return got.status();
    return PortKeeper::Found{std::move(*port), *got};
  };
}

}  // namespace witness
