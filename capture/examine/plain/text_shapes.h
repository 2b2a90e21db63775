// Which commands with their answers are plain where both are lines of text: those of which the
// segmenter, asked once, makes just a command and its answer, whatever the digits in them are.
#pragma once

#include <cstddef>

#include "capture/examine/conventions.h"
#include "capture/examine/plain/plain_talk.h"
#include "capture/examine/plain/shape.h"
#include "capture/examine/segmenter.h"

namespace witness {

class TextShapes {
 public:
  struct Known {
    bool plain = false;
    PlainContent command, answer;
    PlainHistory history;
  };

  // Both must outlive it.
  TextShapes(const Conventions& conventions, const SegmenterOptions& options)
      : conventions_(conventions), options_(options) {}

  // Whether talk of such conventions can be plain in this way.
  static bool Fit(const Conventions& conventions);

  // Of a command and, right behind it, its answer. nullptr: not plain, or not known. Valid for the
  // life of this object.
  [[gnu::always_inline]] Known* Find(ByteView both, std::size_t command_size) {
    if (both[0] == both[command_size]) return nullptr;  // may be an echo
    Known* const known =
        memo_.Of(both, command_size, [&](Known& out) { Learn(both, command_size, out); });
    return known != nullptr && known->plain ? known : nullptr;
  }

 private:
  void Learn(ByteView both, std::size_t command_size, Known& out) const;
  // Whether the segmenter's machine makes a command and its answer of them.
  bool AreTwo(ByteView command, ByteView answer) const;

  const Conventions& conventions_;
  const SegmenterOptions& options_;
  ShapeMemo<Known> memo_;
};

}  // namespace witness
