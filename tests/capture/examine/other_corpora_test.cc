// Scores of the segmenter on the corpora that it was not made with: talks whose manner is drawn at
// random, and talks of sorts that are known to be hard. The must is that of corpus_test.cc.
#include <gtest/gtest.h>

#include <cstdio>

#include "tests/support/corpus_score.h"
#include "tests/support/drawn_talk.h"
#include "tests/support/hard_talk.h"

namespace witness {
namespace {

using test::CorpusScore;

TEST(OtherCorpora, DrawnTalks) {
  CorpusScore score;
  std::string wrong;
  for (unsigned seed = 1; seed <= 400; ++seed) {
    const auto talk = test::DrawnTalk(seed).Make();
    if (!score.Add(talk, test::SegmentsOf(talk))) wrong += " " + std::to_string(seed);
  }
  std::printf(
      "drawn: %.2f%% exact, %.2f%% of boundaries, %.2f%% unsure, %.2f%% wrong and not unsure%s\n",
      100 * score.Exact(), 100 * score.F1(), 100 * score.Unsure(), 100 * score.WronglySure(),
      score.Confusions().c_str());
  EXPECT_GE(score.Exact(), 0.995) << "not all exact:" << wrong;
  EXPECT_LE(score.WronglySure(), 0.005) << "not all exact:" << wrong;
}

TEST(OtherCorpora, HardTalks) {
  constexpr unsigned kSeeds = 20;
  const auto sorts = test::HardTalk::Sorts();
  ASSERT_GE(sorts.size(), 20u);
  for (const std::string& sort : sorts) {
    CorpusScore score;
    std::string wrong;
    for (unsigned seed = 1; seed <= kSeeds; ++seed) {
      const auto talk = test::HardTalk(sort, seed).Make();
      if (!score.Add(talk, test::SegmentsOf(talk))) wrong += " " + std::to_string(seed);
    }
    std::printf("%-26s %7.2f%% exact %7.2f%% unsure%s\n", sort.c_str(), 100 * score.Exact(),
                100 * score.Unsure(), score.Confusions().c_str());
    const bool one_sided =
        sort.find("only") != std::string::npos || sort.find("one wire") != std::string::npos;
    EXPECT_GE(score.Exact(), one_sided ? 0.97 : 0.995) << sort << ", not all exact:" << wrong;
    EXPECT_LE(score.WronglySure(), 0.005) << sort << ", not all exact:" << wrong;
  }
}

}  // namespace
}  // namespace witness
