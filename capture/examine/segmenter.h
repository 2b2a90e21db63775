// Events in, segments out: no I/O, no clock.
//
// The same time-stamped bytes give the same segments, however they are split into events: bytes of
// one side with the same stamp count as one burst, and nothing is decided by where one event ends
// and the next begins. Only event indices, offsets and `pieces` differ then.
//
// A first stretch (`learn_bursts`, `learn_bytes`) is held back to learn the conventions of the
// line from it: silence threshold, command ending, echo, result codes, unasked lines. After that
// segments come as soon as they and all that began before them have ended. Memory is bounded by
// the stretch and `max_segment`.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>

#include "capture/base/instant.h"
#include "capture/examine/conventions.h"
#include "capture/examine/protocols/frame_rule.h"
#include "capture/examine/segment.h"
#include "capture/store/event.h"

namespace witness {

struct SegmenterOptions {
  std::optional<Duration> silence;  // set by a person; else derived from the gaps
  Duration character_time;          // of the line; zero: unknown or no rate of its own
  Duration stamp_uncertainty;       // a stamp may be late by up to this
  std::size_t max_segment = 1u << 20;
  std::size_t learn_bursts = 8192;
  std::size_t learn_bytes = 256u << 10;
  std::optional<FrameRule> framing;  // a person's, in place of the known protocols
};

class Segmenter {
 public:
  // The segment is valid during the call, and may be changed: its buffers may be taken.
  using Sink = std::function<void(Segment& segment)>;

  Segmenter(const SegmenterOptions& options, Sink sink);
  ~Segmenter();
  Segmenter(const Segmenter&) = delete;
  Segmenter& operator=(const Segmenter&) = delete;

  // `index`: of the event in its capture. Times must not decrease. `alone`: it is of kind bytes,
  // and so is the event that follows, which is not of the same side and stamp: a burst of its own,
  // if it does not go on with the one before.
  void Push(const Event& event, std::uint64_t index, bool alone = false);
  // Ends what is open and gives out the rest. Nothing may be pushed behind it.
  void Finish();

  // Settled once the first segment came or Finish() returned.
  const Conventions& conventions() const;

  // Of talk that is taken past the segmenter, see plain/shortcut.h. Whether the conventions are
  // learnt and all that was pushed is complete, as far as can be told, and in doubt in no way.
  bool IsSettled() const;
  // Then: gives out all of it. How many segments were given out until then.
  std::uint64_t Settle();
  struct Passed {
    std::uint64_t commands = 0, segments = 0;
    Instant host_last, module_last;  // stamps of the last bytes
  };
  // Then: so much was said since, all of it complete, and was not pushed.
  void PassOver(const Passed& passed);

 private:
  class Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace witness
