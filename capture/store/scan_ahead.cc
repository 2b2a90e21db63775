#include "capture/store/scan_ahead.h"

#include <array>
#include <condition_variable>
#include <mutex>
#include <thread>
#include <vector>

namespace witness {
namespace {

// One is being taken, one is being filled.
constexpr std::size_t kBatches = 2;
constexpr std::size_t kMostItems = 256;

bool IsLast(const ScanItem& item) {
  return item.kind == ScanItem::Kind::kEnd || item.kind == ScanItem::Kind::kFailed;
}

class AheadScanner : public ItemSource {
 public:
  explicit AheadScanner(std::unique_ptr<FrameScanner> scanner)
      : scanner_(std::move(scanner)), thread_([this] { Work(); }) {}

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
  };

  // Gives back the batch that was taken, if any, and waits for another.
  void NextBatch() {
    std::unique_lock lock(mutex_);
    if (has_batch_) {
      --filled_;
      taking_ = (taking_ + 1) % kBatches;
      changed_.notify_all();
    }
    changed_.wait(lock, [this] { return filled_ > 0; });
    has_batch_ = true;
    next_item_ = 0;
  }

  void Work() {
    for (std::size_t filling = 0;; filling = (filling + 1) % kBatches) {
      {
        std::unique_lock lock(mutex_);
        changed_.wait(lock, [this] { return stop_ || filled_ < kBatches; });
        if (stop_) return;
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

  void Fill(Batch& batch) {
    batch.items.clear();
    batch.memory.reset();
    do {
      ScanItem& item = batch.items.emplace_back(scanner_->Next());
      if (IsLast(item)) break;
      if (item.kind == ScanItem::Kind::kSkipped) {
        batch.skipped = item.content;
        item.content = batch.skipped;
        break;
      }
    } while (batch.items.size() < kMostItems && scanner_->Ready());
    batch.memory = scanner_->memory();
  }

  // The thread's.
  std::unique_ptr<FrameScanner> scanner_;
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

std::unique_ptr<ItemSource> ScanAhead(std::unique_ptr<FrameScanner> scanner) {
  return std::make_unique<AheadScanner>(std::move(scanner));
}

}  // namespace witness
