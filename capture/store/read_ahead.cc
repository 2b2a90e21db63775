#include "capture/store/read_ahead.h"

namespace witness {

using Outcome = CaptureReader::Outcome;

ReadAhead::ReadAhead(CaptureReader& reader) : reader_(reader), thread_([this] { Work(); }) {}

ReadAhead::~ReadAhead() {
  {
    const std::lock_guard lock(mutex_);
    stop_ = true;
  }
  changed_.notify_all();
  thread_.join();
}

Outcome ReadAhead::Next(EventBatch& batch) {
  {
    std::unique_lock lock(mutex_);
    if (has_slot_ && slots_[taking_].outcome != Outcome::kEvent) return slots_[taking_].outcome;
    if (has_slot_) {
      --filled_;
      taking_ = (taking_ + 1) % kFilled;
      changed_.notify_all();
    }
    changed_.wait(lock, [this] { return filled_ > 0; });
    has_slot_ = true;
  }
  const Slot& slot = slots_[taking_];
  batch = {slot.first, slot.events, slot.details ? &slot.view : nullptr};
  return slot.outcome;
}

void ReadAhead::Work() {
  for (std::size_t filling = 0;; filling = (filling + 1) % kFilled) {
    {
      std::unique_lock lock(mutex_);
      changed_.wait(lock, [this] { return stop_ || filled_ < kFilled; });
      if (stop_) return;
    }
    Fill(slots_[filling]);
    const bool last = slots_[filling].outcome != Outcome::kEvent;
    {
      const std::lock_guard lock(mutex_);
      ++filled_;
    }
    changed_.notify_all();
    if (last) return;
  }
}

void ReadAhead::Fill(Slot& slot) {
  slot.events.clear();
  slot.bytes.clear();
  slot.details.reset();
  slot.outcome = Outcome::kEvent;
  while (slot.events.size() < kMostEvents && slot.bytes.size() < kMostBytes) {
    if (!waits_) {
      const Outcome outcome = reader_.NextBatch(next_);
      if (outcome != Outcome::kEvent) {
        if (slot.events.empty()) slot.outcome = outcome;  // else it says so again
        break;
      }
      waits_ = true;
    }
    // What has details, or does not follow on the events before, goes alone.
    const bool follows = next_.details == nullptr && next_.first == slot.first + slot.events.size();
    if (!slot.events.empty() && !follows) break;
    if (slot.events.empty()) slot.first = next_.first;
    waits_ = false;
    slot.events.insert(slot.events.end(), next_.events.begin(), next_.events.end());
    if (next_.details != nullptr) {
      slot.details.emplace(*next_.details);
      slot.view = slot.details->View();
      break;
    }
    const BriefEvent& back = next_.events.back();
    const char* const begin = next_.events.front().data;
    slot.bytes.append(begin, back.data + back.size);
  }
  if (slot.details) return;
  const char* data = slot.bytes.data();
  for (BriefEvent& event : slot.events) {
    event.data = data;
    data += event.size;
  }
}

}  // namespace witness
