#include "capture/examine/segmenter.h"

#include <utility>

#include "capture/examine/echo_order.h"
#include "capture/examine/framing_stage.h"
#include "capture/examine/learn.h"
#include "capture/examine/machine.h"
#include "capture/examine/tape.h"

namespace witness {
namespace {

constexpr std::size_t kMostTaken = 1024;  // items that are kept though they were taken

}  // namespace

class Segmenter::Impl {
 public:
  Impl(const SegmenterOptions& options, Sink sink)
      : options_(options),
        sink_(std::move(sink)),
        order_(options.stamp_uncertainty, options.character_time) {}

  void Push(const Event& event, std::uint64_t index, bool alone) {
    // Learnt from whole bursts only, so that it does not matter how they came.
    if (tape_.Joins(event)) {
      tape_.Join(event, index);
      return;
    }
    if (machine_ == nullptr &&
        (tape_.items.size() >= options_.learn_bursts || tape_.bytes.size() >= options_.learn_bytes))
      Learn();
    if (machine_ != nullptr) Drain(event.at);
    if (alone && machine_ != nullptr && tape_.items.empty() && order_.is_off())
      machine_->Take(alone_, alone_.Hold(event, index));  // nearly always
    else
      tape_.Begin(event, index);
  }

  void Finish() {
    if (machine_ == nullptr) Learn();
    Drain(Instant::Never());
    machine_->Finish();
  }

  const Conventions& conventions() const { return conventions_; }

  bool IsSettled() const {
    return machine_ != nullptr && tape_.items.empty() && order_.is_off() && machine_->IsSettled();
  }
  std::uint64_t Settle() {
    machine_->Settle();
    return stage_->given();
  }
  void PassOver(const Passed& passed) {
    machine_->PassOver(passed.commands, passed.host_last, passed.module_last);
    stage_->PassOver(passed.segments);
  }

 private:
  void Learn() {
    conventions_ = LearnConventions(tape_, options_);
    order_.Follow(conventions_, /*any_echo=*/false);
    stage_ = std::make_unique<FramingStage>(conventions_, options_, std::move(sink_));
    machine_ = std::make_unique<SegmentMachine>(conventions_, options_,
                                                [this](Slot& slot) { stage_->Take(slot); });
  }

  // Takes whole bursts, all that come before `now`.
  void Drain(Instant now) {
    if (tape_.items.empty()) return;
    if (taken_ == 0 && order_.is_off()) {
      for (const TapeItem& item : tape_.items) machine_->Take(tape_, item);
      tape_.Clear();
      return;
    }
    taken_ = order_.Run(tape_, taken_, now,
                        [this](const TapeItem& item) { machine_->Take(tape_, item); });
    if (taken_ < tape_.items.size() && taken_ < kMostTaken) return;
    order_.Dropped(taken_);
    tape_.DropFront(taken_);
    taken_ = 0;
  }

  SegmenterOptions options_;
  Sink sink_;
  Tape tape_;
  Tape alone_;  // the burst that is taken at once
  EchoOrder order_;
  std::size_t taken_ = 0;  // items of the tape
  Conventions conventions_;
  std::unique_ptr<FramingStage> stage_;
  std::unique_ptr<SegmentMachine> machine_;
};

Segmenter::Segmenter(const SegmenterOptions& options, Sink sink)
    : impl_(std::make_unique<Impl>(options, std::move(sink))) {}
Segmenter::~Segmenter() = default;
void Segmenter::Push(const Event& event, std::uint64_t index, bool alone) {
  impl_->Push(event, index, alone);
}
void Segmenter::Finish() { impl_->Finish(); }
const Conventions& Segmenter::conventions() const { return impl_->conventions(); }
bool Segmenter::IsSettled() const { return impl_->IsSettled(); }
std::uint64_t Segmenter::Settle() { return impl_->Settle(); }
void Segmenter::PassOver(const Passed& passed) { impl_->PassOver(passed); }

}  // namespace witness
