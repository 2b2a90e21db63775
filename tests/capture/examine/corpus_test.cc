// Scores of the segmenter on the labelled corpus, class by class.
#include <gtest/gtest.h>

#include <cstdio>

#include "tests/support/corpus.h"
#include "tests/support/corpus_classes.h"
#include "tests/support/corpus_score.h"
#include "tests/support/talk.h"

namespace witness {
namespace {

using test::CorpusClass;
using test::CorpusMaker;
using test::Heard;
using test::LabelledTalk;

TEST(Corpus, EveryClassIsSegmentedAsItMust) {
  constexpr unsigned kSeeds = 40;
  ASSERT_GE(test::CorpusClasses().size(), 40u);
  std::printf("%-28s %8s %8s\n", "class", "exact", "F1");
  for (const CorpusClass& what : test::CorpusClasses()) {
    test::CorpusScore score;
    std::string first_wrong;
    for (unsigned seed = 1; seed <= kSeeds; ++seed) {
      const LabelledTalk talk = CorpusMaker(what, seed * 7919).Make();
      const auto segments = test::SegmentsOf(talk);
      if (!score.Add(talk, segments) && first_wrong.empty())
        first_wrong = "seed " + std::to_string(seed * 7919) + ": " + test::Outline(segments);
    }
    std::printf("%-28s %7.2f%% %7.2f%%%s\n", what.name, 100 * score.Exact(), 100 * score.F1(),
                score.Confusions().c_str());
    const double least = what.heard == Heard::kBoth ? 0.995 : 0.97;
    EXPECT_GE(score.Exact(), least) << what.name << "\n" << first_wrong;
  }
}

// Nothing tells the utterances of this talk apart: pauses of every length up to a second occur,
// inside and between alike. No boundary may be called sure.
TEST(Corpus, WhatCannotBeDecidedIsReportedAsUnsure) {
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 random(seed);
    test::Talk talk;
    double ms = 0;
    for (int i = 0; i < 300; ++i) {
      ms += std::exp(std::uniform_real_distribution<>(std::log(2.0), std::log(900.0))(random));
      talk.Module(ms, "x");
    }
    const auto segments = test::Segments(talk.events());
    std::size_t sure = 0, all = 0;
    for (const Segment& s : segments) {
      if (s.bytes.empty()) continue;
      ++all;
      sure += s.sure == Sureness::kUnsure ? 0u : 1u;
    }
    EXPECT_GT(all, 2u) << "seed " << seed;
    EXPECT_LE(sure, 1u) << "seed " << seed << " of " << all;  // the last ends with the capture
  }
}

}  // namespace
}  // namespace witness
