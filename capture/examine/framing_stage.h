// Behind the machine: cuts segments into a protocol's frames and says what they are.
#pragma once

#include <memory>
#include <string>

#include "capture/examine/conventions.h"
#include "capture/examine/memo.h"
#include "capture/examine/protocols/frame_rule.h"
#include "capture/examine/segmenter.h"
#include "capture/examine/slot.h"

namespace witness {

// Size of the frame of `framing` that `bytes` begin with; 0: none.
std::size_t FrameOf(Framing framing, ByteView bytes);

// Counts, over segments, how much of them each framing explains.
class FramingTally {
 public:
  void Add(ByteView bytes);
  // The framing that explains nearly all, or kNone.
  Framing Best() const;

 private:
  struct Count {
    std::size_t frames = 0;
    std::size_t bytes = 0;
  };
  std::size_t bytes_ = 0;
  Count counts_[6];
};

class FramingStage {
 public:
  using Sink = Segmenter::Sink;
  // Numbers what it gives out. All must outlive the stage. `options.framing`, if there, is used in
  // place of the known protocols.
  FramingStage(const Conventions& conventions, const SegmenterOptions& options, Sink sink);

  void Take(Slot& slot);

  std::uint64_t given() const { return given_; }
  // So many segments were given out by another.
  void PassOver(std::uint64_t segments) { given_ += segments; }

 private:
  // Says what the bytes are, and hands the segment on: talk, which repeats itself, or a frame.
  void GiveTalk(Slot& slot);
  void GiveFrame(Slot& slot);
  void Give(Segment& segment);
  // Where the first V.250 command line of `text` begins, or ends if it is at the start; 0: none.
  static std::size_t CommandLineEdge(ByteView text);
  // On one wire a command line stands apart from what comes before and behind it at once.
  void TakeTextOfOneWire(Slot& slot);
  std::size_t Next(ByteView bytes) const;
  // Where the line was silent for t3.5 (Modbus RTU) within `segment`, as far as stamps can tell;
  // 0: nowhere.
  std::size_t SilenceInside(const Segment& segment) const;
  void RemarkPause(Segment& segment) const;
  void Recognise(Segment& segment) const;
  void SetRole(Segment& segment);
  bool IsChecked() const;  // frames carry a checksum that has to fit

  const Conventions& conventions_;
  const FrameRule* rule_;
  Duration character_time_, stamp_uncertainty_;
  Sink sink_;
  std::uint64_t given_ = 0;
  Slot rest_;
  std::shared_ptr<const std::string> rule_name_;
  Memo<Content> known_;      // what was said before
  Bytes request_;            // of Modbus: the last one, as RTU
  std::uint64_t turns_ = 0;  // on such a wire
  bool answered_ = true;
};

}  // namespace witness
