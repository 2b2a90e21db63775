#include "capture/store/scan_ahead.h"

#include <array>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <span>
#include <thread>
#include <vector>

#include "capture/store/block_decoder.h"
#include "capture/store/messages.h"

namespace witness {
namespace {

// One is being taken, the others are filled or being filled: so many that neither has to wait until
// the other wakes up.
constexpr std::size_t kBatches = 48;
// But what lies in two pieces of memory that have so many bytes, or in more of them, is enough.
constexpr std::size_t kEnoughMemory = std::size_t{2} << 20;
constexpr std::size_t kMostItems = 256;
constexpr std::size_t kMostMade = 2048;  // events

bool IsLast(const ScanItem& item) {
  return item.kind == ScanItem::Kind::kEnd || item.kind == ScanItem::Kind::kFailed;
}

class AheadScanner : public ItemSource {
 public:
  AheadScanner(std::unique_ptr<FrameScanner> scanner, bool make_events)
      : scanner_(std::move(scanner)), make_events_(make_events), thread_([this] { Work(); }) {}

  ~AheadScanner() override {
    {
      const std::lock_guard lock(mutex_);
      stop_ = true;
    }
    changed_.notify_all();
    thread_.join();
  }
  AheadScanner(const AheadScanner&) = delete;
  AheadScanner& operator=(const AheadScanner&) = delete;

  ScanItem Next() override {
    if (ended_) return last_;
    if (!has_batch_ || next_item_ == batches_[taking_].items.size()) NextBatch();
    ScanItem& item = batches_[taking_].items[next_item_++];
    if (IsLast(item)) {
      ended_ = true;
      last_ = item;
    }
    return std::move(item);
  }

 private:
  struct Batch {
    std::vector<ScanItem> items;
    std::shared_ptr<const ScanMemory> memory;  // of fields; the thread's
    Bytes skipped;                             // of a skippable frame
    std::deque<BlockFacts> facts;              // of blocks
    std::vector<BriefEvent> events;            // that were made
  };

  // Gives back the batch that was taken, if any, and waits for another.
  void NextBatch() {
    std::unique_lock lock(mutex_);
    if (has_batch_) {
      --filled_;
      taking_ = (taking_ + 1) % kBatches;
      if (MayResume()) changed_.notify_all();
    }
    changed_.wait(lock, [this] { return filled_ > 0; });
    has_batch_ = true;
    next_item_ = 0;
  }

  void Work() {
    for (std::size_t filling = 0;; filling = (filling + 1) % kBatches) {
      {
        std::unique_lock lock(mutex_);
        if (IsFull()) changed_.wait(lock, [this] { return stop_ || MayResume(); });
        if (stop_) return;
        // What was given back is not needed any more; only this thread may let go of it.
        for (std::size_t i = filled_; i < kBatches; ++i)
          batches_[(taking_ + i) % kBatches].memory.reset();
      }
      Fill(batches_[filling]);
      const bool last = IsLast(batches_[filling].items.back());
      {
        const std::lock_guard lock(mutex_);
        ++filled_;
      }
      changed_.notify_all();
      if (last) return;
    }
  }

  // Whether enough is filled, and whether so little that more is wanted.
  bool IsFull() const { return filled_ == kBatches || HasEnoughMemory(); }
  bool MayResume() const { return filled_ <= kBatches * 5 / 6 && !HasEnoughMemory(); }
  bool HasEnoughMemory() const {
    std::size_t pieces = 0, bytes = 0;
    const ScanMemory* last = nullptr;
    for (std::size_t i = 0; i < filled_; ++i) {
      const ScanMemory* const memory = batches_[(taking_ + i) % kBatches].memory.get();
      if (memory == nullptr || memory == last) continue;
      last = memory;
      ++pieces;
      bytes += memory->room;
    }
    return pieces >= 2 && bytes >= kEnoughMemory;
  }

  void Fill(Batch& batch) {
    batch.items.clear();
    batch.facts.clear();
    if (make_events_) batch.events.resize(kMostMade);
    std::span<BriefEvent> room = batch.events;
    do {
      ScanItem& item = batch.items.emplace_back();
      if (making_) {
        item.kind = ScanItem::Kind::kMade;
        item.made = room.first(decoder_.Make(room));
        room = room.subspan(item.made.size());
        left_to_make_ -= item.made.size();
        making_ = left_to_make_ > 0;
        continue;
      }
      item = scanner_->Next();
      if (IsLast(item)) break;
      if (item.kind == ScanItem::Kind::kSkipped) {
        batch.skipped = item.content;
        item.content = batch.skipped;
        break;
      }
      // What is wrong, or holds events that are not brief, is left as it is.
      making_ = make_events_ && item.kind == ScanItem::Kind::kField && item.field == kBlockField &&
                decoder_.Open(item.content).ok() && decoder_.all_brief();
      if (making_) {
        item.facts = &batch.facts.emplace_back(decoder_.facts());
        left_to_make_ = decoder_.events();
      }
    } while (batch.items.size() < kMostItems &&
             (making_ ? room.size() >= BlockDecoder::kBatch : scanner_->Ready()));
    batch.memory = scanner_->memory();
  }

  // The thread's.
  std::unique_ptr<FrameScanner> scanner_;
  bool make_events_;
  BlockDecoder decoder_;
  bool making_ = false;  // events of the block that was scanned last
  std::uint64_t left_to_make_ = 0;
  // The thread fills one of those that are not filled; the taker takes the first that is.
  std::array<Batch, kBatches> batches_;

  std::mutex mutex_;
  std::condition_variable changed_;
  std::size_t filled_ = 0;
  bool stop_ = false;

  // The taker's.
  std::size_t taking_ = 0;
  std::size_t next_item_ = 0;
  bool has_batch_ = false;
  bool ended_ = false;
  ScanItem last_;

  std::thread thread_;  // last: it begins when all the rest is there
};

}  // namespace

std::unique_ptr<ItemSource> ScanAhead(std::unique_ptr<FrameScanner> scanner, bool make_events) {
  return std::make_unique<AheadScanner>(std::move(scanner), make_events);
}

}  // namespace witness
