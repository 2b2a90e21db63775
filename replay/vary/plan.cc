#include "replay/vary/plan.h"

#include <algorithm>
#include <random>
#include <set>

#include "capture/base/text.h"
#include "replay/vary/pairs.h"

namespace trial {
namespace {

using witness::Code;
using witness::OkStatus;
using witness::Result;
using witness::Status;

std::size_t LongestReply(const Part& part) {
  std::size_t longest = 0;
  for (const Rule& rule : part.rules)
    for (const Answer& answer : rule.answers)
      longest = std::max(longest, JoinPieces(answer.pieces).size());
  return longest;
}

FactorLevels& WishFor(const std::string& factor, std::vector<FactorLevels>& wishes) {
  for (FactorLevels& wish : wishes)
    if (wish.factor == factor) return wish;
  wishes.push_back({factor, {}});
  return wishes.back();
}

void AddLevel(FactorLevels& wish, const Variation& variation) {
  if (std::find(wish.levels.begin(), wish.levels.end(), variation) == wish.levels.end())
    wish.levels.push_back(variation);
}

// The level `digit` of a wish; 0 is "recorded".
void Put(const FactorLevels& wish, std::size_t digit, Combination& combination) {
  if (digit > 0) combination.push_back(wish.levels[digit - 1]);
}

}  // namespace

std::string CombinationName(const Combination& combination) {
  std::string name;
  for (const Variation& variation : combination)
    name += (name.empty() ? "" : " ") + variation.Name();
  return name.empty() ? "as recorded" : name;
}

Status AddWish(std::string_view text, const Part& part, std::vector<FactorLevels>& wishes) {
  const auto equals = text.find('=');
  const std::string factor(text.substr(0, equals));
  std::vector<std::string> levels;
  if (equals == std::string_view::npos) {
    for (const Factor& known : Factors())
      if (known.name == factor) levels = known.usual;
    if (levels.empty()) return ParseVariation(factor + "=recorded").status();
  } else {
    std::string_view rest = text.substr(equals + 1);
    while (true) {
      const auto comma = rest.find(',');
      levels.emplace_back(rest.substr(0, comma));
      if (comma == std::string_view::npos) break;
      rest = rest.substr(comma + 1);
    }
  }
  for (const std::string& level : levels) {
    auto variation = ParseVariation(factor + "=" + level);
    if (!variation.ok()) return variation.status();
    FactorLevels& wish = WishFor(factor, wishes);
    if (variation->Plain()) continue;
    if (factor == "split" && level.starts_with("each")) {
      const std::size_t longest = std::min<std::size_t>(LongestReply(part), 1024);
      for (std::size_t place = 1; place < longest; ++place) {
        Variation at = *variation;
        at.level = std::to_string(place) + variation->level.substr(4);
        AddLevel(wish, at);
      }
      continue;
    }
    AddLevel(wish, *variation);
  }
  return OkStatus();
}

std::vector<FactorLevels> UsualWishes() {
  std::vector<FactorLevels> wishes;
  for (const Factor& factor : Factors()) {
    if (!factor.by_itself) continue;
    FactorLevels wish{factor.name, {}};
    for (const std::string& level : factor.usual) wish.levels.push_back({factor.name, level, 0});
    wishes.push_back(std::move(wish));
  }
  return wishes;
}

Result<std::vector<Combination>> MakePlan(const std::vector<FactorLevels>& wishes,
                                          const PlanOptions& options) {
  std::vector<Combination> plan;
  std::set<std::string> names;
  const auto add = [&](const Combination& combination) {
    if (!combination.empty() && names.insert(CombinationName(combination)).second)
      plan.push_back(combination);
  };
  const auto too_many = [&](double count) {
    return Status(Code::kInvalidArgument, "the plan would have " +
                                              std::to_string(static_cast<long long>(count)) +
                                              " trials, more than " + std::to_string(options.most) +
                                              "; try --pairs, or name fewer levels");
  };
  std::vector<std::size_t> sizes;
  double product = 1;
  double sum = 0;
  for (const FactorLevels& wish : wishes) {
    sizes.push_back(wish.levels.size() + 1);
    product *= static_cast<double>(sizes.back());
    sum += static_cast<double>(wish.levels.size());
  }
  switch (options.combine) {
    case Combine::kOneAtATime:
      if (sum > static_cast<double>(options.most)) return too_many(sum);
      for (const FactorLevels& wish : wishes)
        for (const Variation& level : wish.levels) add({level});
      break;
    case Combine::kAll: {
      if (product > static_cast<double>(options.most)) return too_many(product - 1);
      std::vector<std::size_t> digits(sizes.size(), 0);
      for (;;) {
        Combination combination;
        for (std::size_t i = 0; i < digits.size(); ++i) Put(wishes[i], digits[i], combination);
        add(combination);
        std::size_t i = digits.size();
        while (i > 0 && ++digits[i - 1] == sizes[i - 1]) digits[--i] = 0;
        if (i == 0) break;
      }
      break;
    }
    case Combine::kPairs:
      for (const auto& row : CoverPairs(sizes)) {
        Combination combination;
        for (std::size_t i = 0; i < row.size(); ++i) Put(wishes[i], row[i], combination);
        add(combination);
      }
      break;
    case Combine::kRandom: {
      std::mt19937_64 draws(options.seed);
      const double most = std::min<double>(options.random, product - 1);
      if (most > static_cast<double>(options.most)) return too_many(most);
      for (std::uint64_t tries = 0; static_cast<double>(plan.size()) < most && tries < 1'000'000;
           ++tries) {
        Combination combination;
        for (std::size_t i = 0; i < sizes.size(); ++i)
          Put(wishes[i], static_cast<std::size_t>(draws() % sizes[i]), combination);
        add(combination);
      }
      break;
    }
  }
  return plan;
}

}  // namespace trial
