// Brings a sink's bytes to the disk on a thread of its own, since that may take many milliseconds.
#pragma once

#include <condition_variable>
#include <mutex>
#include <thread>

#include "capture/base/result.h"
#include "capture/store/sink.h"

namespace witness {

class BackgroundSync {
 public:
  // `sink` must outlive this. No thread is started before the first request.
  explicit BackgroundSync(Sink& sink) : sink_(sink) {}
  // Waits for the sync that is under way; one that was only asked for is left out.
  ~BackgroundSync() { Stop(); }
  BackgroundSync(const BackgroundSync&) = delete;
  BackgroundSync& operator=(const BackgroundSync&) = delete;

  // All that was written to the sink before this call will be synced soon. Does not wait.
  void Request();

  // The first failure so far.
  Status status() const;

  void Stop();

 private:
  void Run();

  Sink& sink_;
  mutable std::mutex mutex_;
  std::condition_variable wake_;
  bool asked_ = false;
  bool ending_ = false;
  Status status_;
  std::thread thread_;
};

}  // namespace witness
