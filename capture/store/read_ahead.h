// Reads a capture on a thread of its own, a little ahead of whoever takes the events: for those who
// do more with each than the reader does.
#pragma once

#include <array>
#include <condition_variable>
#include <mutex>
#include <optional>
#include <thread>
#include <vector>

#include "capture/store/capture_reader.h"

namespace witness {

class ReadAhead {
 public:
  // Goes on where `reader` stands, and gives all that it would. What it gave before is not valid any
  // more. It belongs to the thread, its listener too, until this object is destroyed; it may have
  // been read further then than was taken here, unless Next() came to the end.
  explicit ReadAhead(CaptureReader& reader);
  ~ReadAhead();
  ReadAhead(const ReadAhead&) = delete;
  ReadAhead& operator=(const ReadAhead&) = delete;

  // As CaptureReader::NextBatch(), with some thousand events at a time; EventBatch::goes_on is never
  // set. Memory is bounded by kFilled of these and the reader's.
  CaptureReader::Outcome Next(EventBatch& batch);

 private:
  // One is taken, one waits, one is filled.
  static constexpr std::size_t kFilled = 3;
  static constexpr std::size_t kMostEvents = 4096;
  static constexpr std::size_t kMostBytes = std::size_t{256} << 10;

  struct Slot {
    CaptureReader::Outcome outcome = CaptureReader::Outcome::kEnd;
    std::uint64_t first = 0;
    std::vector<BriefEvent> events;
    Bytes bytes;  // of the events
    std::optional<OwnedEvent> details;
    Event view;
  };

  void Work();
  void Fill(Slot& slot);

  // The thread's.
  CaptureReader& reader_;
  EventBatch next_;      // what it read and did not put anywhere yet
  bool waits_ = false;   // whether there is some

  // The thread fills one of those that are not filled; the taker takes the first that is.
  std::array<Slot, kFilled> slots_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::size_t filled_ = 0;
  bool stop_ = false;

  // The taker's.
  std::size_t taking_ = 0;
  bool has_slot_ = false;

  std::thread thread_;  // last: it begins when all the rest is there
};

}  // namespace witness
