#include "replay/vary/pairs.h"

#include <gtest/gtest.h>

#include "replay/vary/plan.h"

namespace trial {
namespace {

using Sizes = std::vector<std::size_t>;

// Sizes of the smallest known arrays. Covering array tables for t = 2 (C. Colbourn); two levels:
// Lawrence et al., Electronic Journal of Combinatorics 18 (2011). Read from memory; those that
// theory gives are q*q for q+1 factors of q levels (Bush) and C(n-1, ceil(n/2)) >= k for two
// levels.
TEST(Pairs, PublishedBoundsAreReached) {
  const struct {
    std::size_t factors, levels, rows;
  } kBounds[] = {{4, 3, 9}, {13, 3, 15}, {5, 4, 16}, {6, 5, 25}, {10, 2, 6}, {3, 2, 4}, {4, 2, 5}};
  for (const auto& bound : kBounds) {
    const Sizes sizes(bound.factors, bound.levels);
    const auto rows = CoverPairs(sizes);
    EXPECT_TRUE(CoversAllPairs(rows, sizes));
    EXPECT_EQ(rows.size(), bound.rows) << bound.factors << " factors of " << bound.levels;
  }
}

TEST(Pairs, MixedSizesAreCovered) {
  const Sizes cases[] = {{6, 5, 5, 3},
                         {6, 5, 5, 3, 2, 2},
                         {2, 3, 7},
                         {1, 4, 1},
                         {9, 8, 7, 6, 5, 4, 3, 2},
                         {4, 4, 4, 4, 4, 4, 4, 4},
                         {2},
                         {1, 1}};
  for (const Sizes& sizes : cases) {
    const auto rows = CoverPairs(sizes);
    EXPECT_TRUE(CoversAllPairs(rows, sizes));
    Sizes sorted = sizes;
    std::sort(sorted.rbegin(), sorted.rend());
    // No array is smaller than the product of the two largest; ours are less than twice as large.
    const std::size_t least = sorted[0] * (sorted.size() > 1 ? sorted[1] : 1);
    EXPECT_GE(rows.size(), least);
    EXPECT_LT(rows.size(), 2 * least + 1);
  }
}

TEST(Pairs, MissingPairIsNoticed) {
  const Sizes sizes = {2, 2};
  EXPECT_TRUE(CoversAllPairs({{0, 0}, {0, 1}, {1, 0}, {1, 1}}, sizes));
  EXPECT_FALSE(CoversAllPairs({{0, 0}, {0, 1}, {1, 0}}, sizes));
  EXPECT_FALSE(CoversAllPairs({{0, 0}, {0, 1}, {1, 0}, {1, 2}}, sizes));
}

TEST(Pairs, SameSizesSameRows) { EXPECT_EQ(CoverPairs({6, 5, 4, 3}), CoverPairs({6, 5, 4, 3})); }

Part PartWithReply(const Bytes& reply) {
  Part part;
  part.command_end.terminators = {"\n"};
  part.rules = {{{Match::kIgnoringEnding, "A", false}, {{{{Duration::Zero(), reply}}, 1}}}};
  return part;
}

std::vector<FactorLevels> Wishes(const std::vector<std::string>& texts) {
  std::vector<FactorLevels> wishes;
  for (const std::string& text : texts) {
    const auto status = AddWish(text, PartWithReply("12345"), wishes);
    EXPECT_TRUE(status.ok()) << status.message();
  }
  return wishes;
}

TEST(Plan, OneAtATimeTriesEachLevelAlone) {
  const auto plan = MakePlan(Wishes({"ending=recorded,none,crlf", "split=2,bytes:1ms"}), {});
  ASSERT_TRUE(plan.ok());
  std::string names;
  for (const auto& combination : *plan) names += CombinationName(combination) + "; ";
  EXPECT_EQ(names, "ending=none; ending=crlf; split=2; split=bytes:1ms; ");
}

TEST(Plan, AllIsTheProductWithoutTheBaseline) {
  PlanOptions options;
  options.combine = Combine::kAll;
  const auto plan = MakePlan(Wishes({"ending=none,crlf", "split=2,3,4"}), options);
  ASSERT_TRUE(plan.ok());
  EXPECT_EQ(plan->size(), 3u * 4u - 1u);
}

TEST(Plan, EachPlaceOfTheLongestReplyIsALevel) {
  const auto wishes = Wishes({"split=each:20ms"});
  ASSERT_EQ(wishes.size(), 1u);
  ASSERT_EQ(wishes[0].levels.size(), 4u);
  EXPECT_EQ(wishes[0].levels[3].Name(), "split=4:20ms");
}

TEST(Plan, RandomIsTheSameForTheSameSeed) {
  PlanOptions options;
  options.combine = Combine::kRandom;
  options.random = 10;
  const auto wishes = Wishes({"ending", "split", "pace"});
  options.seed = 7;
  const auto a = MakePlan(wishes, options);
  const auto b = MakePlan(wishes, options);
  options.seed = 8;
  const auto c = MakePlan(wishes, options);
  ASSERT_TRUE(a.ok() && b.ok() && c.ok());
  EXPECT_EQ(a->size(), 10u);
  EXPECT_EQ(*a, *b);
  EXPECT_NE(*a, *c);
}

TEST(Plan, UnknownFactorsAndLevelsAreNamed) {
  std::vector<FactorLevels> wishes;
  const auto factor = AddWish("endings=none", PartWithReply("x"), wishes);
  EXPECT_NE(factor.message().find("ending"), std::string::npos) << factor.message();
  const auto level = AddWish("ending=lfcr", PartWithReply("x"), wishes);
  EXPECT_NE(level.message().find("crlf"), std::string::npos) << level.message();
}

TEST(Plan, HugePlansAreRefused) {
  PlanOptions options;
  options.combine = Combine::kAll;
  options.most = 10;
  EXPECT_FALSE(MakePlan(Wishes({"ending", "split", "pace"}), options).ok());
}

}  // namespace
}  // namespace trial
