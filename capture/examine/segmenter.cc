#include "capture/examine/segmenter.h"

#include <utility>

#include "capture/examine/framing_stage.h"
#include "capture/examine/learn.h"
#include "capture/examine/machine.h"
#include "capture/examine/tape.h"

namespace witness {
class Segmenter::Impl {
 public:
  Impl(const SegmenterOptions& options, Sink sink) : options_(options), sink_(std::move(sink)) {}

  // Number and hand out.
  void Give(Segment& segment) {
    segment.index = given_++;
    sink_(segment);
  }

  void Push(const Event& event, std::uint64_t index) {
    if (machine_ == nullptr) {
      const std::size_t items = tape_.items.size();
      const bool joined = tape_.Append(event, index);
      // Learnt from whole bursts only, so that it does not matter how they came.
      if (!joined && (items >= options_.learn_bursts ||
                      tape_.bytes.size() - event.bytes.size() >= options_.learn_bytes))
        Learn(items);
      return;
    }
    if (!tape_.Joins(event)) Flush();
    tape_.Append(event, index);
  }

  void Finish() {
    if (machine_ == nullptr) Learn(tape_.items.size());
    Flush();
    machine_->Finish();
  }

  const Conventions& conventions() const { return conventions_; }

 private:
  // Learns from the first `items` of the tape and takes them; the rest stays.
  void Learn(std::size_t items) {
    const std::vector<TapeItem> rest(tape_.items.begin() + static_cast<std::ptrdiff_t>(items),
                                     tape_.items.end());
    tape_.items.resize(items);
    conventions_ = LearnConventions(tape_, options_);
    stage_ = std::make_unique<FramingStage>(conventions_,
                                            options_.framing ? &*options_.framing : nullptr,
                                            [this](Segment& segment) { Give(segment); });
    machine_ = std::make_unique<SegmentMachine>(conventions_, options_,
                                                [this](Slot& slot) { stage_->Take(slot); });
    for (const TapeItem& item : tape_.items) machine_->Take(tape_, item);
    if (rest.empty()) {
      tape_ = Tape();
      return;
    }
    Tape next;
    for (TapeItem item : rest) {
      item.first_byte = next.bytes.size();
      next.bytes += tape_.bytes.substr(rest.front().first_byte, rest.front().size);
      const std::size_t first_piece = item.first_piece;
      item.first_piece = next.pieces.size();
      for (std::size_t i = 0; i < item.piece_count; ++i)
        next.pieces.push_back(tape_.pieces[first_piece + i]);
      next.items.push_back(item);
    }
    tape_ = std::move(next);
  }

  void Flush() {
    for (const TapeItem& item : tape_.items) machine_->Take(tape_, item);
    tape_.Clear();
  }

  SegmenterOptions options_;
  Sink sink_;
  std::uint64_t given_ = 0;
  Tape tape_;
  Conventions conventions_;
  std::unique_ptr<FramingStage> stage_;
  std::unique_ptr<SegmentMachine> machine_;
};

Segmenter::Segmenter(const SegmenterOptions& options, Sink sink)
    : impl_(std::make_unique<Impl>(options, std::move(sink))) {}
Segmenter::~Segmenter() = default;
void Segmenter::Push(const Event& event, std::uint64_t index) { impl_->Push(event, index); }
void Segmenter::Finish() { impl_->Finish(); }
const Conventions& Segmenter::conventions() const { return impl_->conventions(); }

}  // namespace witness
