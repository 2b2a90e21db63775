#include "capture/store/background_sync.h"

namespace witness {

void BackgroundSync::Request() {
  const std::lock_guard lock(mutex_);
  if (ending_) return;
  asked_ = true;
  if (!thread_.joinable()) thread_ = std::thread([this] { Run(); });
  wake_.notify_one();
}

Status BackgroundSync::status() const {
  const std::lock_guard lock(mutex_);
  return status_;
}

void BackgroundSync::Stop() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
    wake_.notify_one();
  }
  if (thread_.joinable()) thread_.join();
}

void BackgroundSync::Run() {
  std::unique_lock lock(mutex_);
  while (true) {
    wake_.wait(lock, [this] { return asked_ || ending_; });
    if (ending_) return;
    asked_ = false;
    lock.unlock();
    const Status status = sink_.Sync();
    lock.lock();
    if (status_.ok()) status_ = status;
  }
}

}  // namespace witness
