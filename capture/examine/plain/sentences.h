// Which bursts of a talker's sentences are plain: whole ones, each of a shape that was seen before.
#pragma once

#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/plain/plain_talk.h"
#include "capture/examine/plain/shape.h"

namespace witness {

class SentenceShapes {
 public:
  // Whether talk of such conventions can be plain in this way.
  static bool Fit(const Conventions& conventions);

  // Puts the sentences that `said` consists of into `out`. False: not plain, or not known.
  // `secrets`: there may be some in it.
  bool Find(ByteView said, bool secrets, std::vector<PlainSentences::Sentence>& out);

 private:
  struct Known {
    bool plain = false;
    PlainContent content;
  };
  static void Learn(ByteView sentence, Known& out);

  ShapeMemo<Known> memo_;
};

}  // namespace witness
