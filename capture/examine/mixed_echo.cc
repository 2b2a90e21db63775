#include "capture/examine/mixed_echo.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace witness {
namespace {

// Costs of an unlikely place, by our own measure: no source.
constexpr double kMostCost = 4;      // of one byte
constexpr double kMostOfAll = 1;     // of all bytes, on average
constexpr double kClearly = 0.9;     // by so much the best has to be better than any other
constexpr double kEvenDistance = 3;  // of the first two bytes
constexpr double kWithinLine = 1;    // of one that was typed
constexpr std::size_t kMostWays = 1u << 20;
constexpr Duration kTypedApart = Duration::Milliseconds(20);  // a program sends faster
constexpr Duration kSoon = Duration::Milliseconds(100);       // an echo behind a key

constexpr double kNever = std::numeric_limits<double>::infinity();

// Every way is a chain of places, one for each byte of the command; what it costs depends on three
// places in a row. So the best that can be reached up to and from each pair of neighbours is kept.
class Ways {
 public:
  Ways(const StampedBytes& said, std::size_t from, const StampedBytes& command, Duration late)
      : said_(said), command_(command) {
    places_.resize(command.bytes.size());
    for (std::size_t k = 0; k < command.bytes.size(); ++k)
      for (std::size_t i = from + k; i < said.bytes.size(); ++i)
        if (said.bytes[i] == command.bytes[k] && said.at[i] + late >= command.at[k])
          places_[k].push_back(i);
  }

  bool TooMany() const {
    std::size_t ways = 0;
    for (std::size_t k = 2; k < places_.size(); ++k)
      ways += places_[k - 2].size() * places_[k - 1].size() * places_[k].size();
    return ways > kMostWays;
  }

  std::optional<MixedEcho> Best() {
    const std::size_t n = places_.size();
    Fill(up_to_, true);
    Fill(from_, false);
    MixedEcho out;
    double best = kNever;
    for (std::size_t k = 0; k < n; ++k) {
      // What all cost at least with this byte at each of its places.
      const std::size_t step = std::max<std::size_t>(k, 1);
      std::vector<double> least(places_[k].size(), kNever);
      for (std::size_t i = 0; i < places_[step - 1].size(); ++i)
        for (std::size_t j = 0; j < places_[step].size(); ++j) {
          double& cost = least[k == step ? j : i];
          cost = std::min(cost, up_to_[step][Pair(step, i, j)] + from_[step][Pair(step, i, j)]);
        }
      const auto first = std::min_element(least.begin(), least.end());
      if (first == least.end() || *first == kNever) return std::nullopt;
      best = *first;
      out.at.push_back(places_[k][static_cast<std::size_t>(first - least.begin())]);
      out.sure.push_back(std::count_if(least.begin(), least.end(),
                                       [&](double cost) { return cost < best + kClearly; }) == 1);
    }
    if (best > kMostOfAll * static_cast<double>(n)) return std::nullopt;
    // Of ways that cost the same, pieces of several may have been taken.
    for (std::size_t k = 1; k < n; ++k)
      if (out.at[k] <= out.at[k - 1]) return std::nullopt;
    return out;
  }

 private:
  std::size_t Pair(std::size_t k, std::size_t i, std::size_t j) const {
    return i * places_[k].size() + j;
  }

  bool Typed(std::size_t k) const { return command_.at[k] - command_.at[k - 1] >= kTypedApart; }
  // Of a byte that was typed: it comes back soon, and rather between lines than within one.
  double OfTime(std::size_t k, std::size_t at) const {
    const Duration after = said_.at[at] - command_.at[k];
    const bool between = at > 0 && (said_.bytes[at - 1] == '\r' || said_.bytes[at - 1] == '\n');
    const double soon = std::max(after.seconds(), 0.0) / kSoon.seconds();
    return std::min(kMostCost, soon + (between ? 0 : kWithinLine));
  }

  // Of byte k at c, the one before at b, the one before that at a.
  double Cost(std::size_t k, std::size_t a, std::size_t b, std::size_t c) const {
    if (Typed(k)) return OfTime(k, c);
    const double distance = static_cast<double>(c - b), before = static_cast<double>(b - a);
    return std::min(kMostCost, std::fabs(distance - before));
  }
  double CostOfFirstTwo(std::size_t a, std::size_t b) const {
    if (Typed(1)) return OfTime(0, a) + OfTime(1, b);
    const double distance = static_cast<double>(b - a);
    return std::min(kMostCost, std::max(0.0, distance - kEvenDistance));
  }

  void Fill(std::vector<std::vector<double>>& out, bool up_to) const {
    const std::size_t n = places_.size();
    out.assign(n, {});
    for (std::size_t k = 1; k < n; ++k)
      out[k].assign(places_[k - 1].size() * places_[k].size(), kNever);
    if (up_to) {
      ForPairs(1, [&](std::size_t i, std::size_t j) {
        out[1][Pair(1, i, j)] = CostOfFirstTwo(places_[0][i], places_[1][j]);
      });
      for (std::size_t k = 2; k < n; ++k)
        ForTriples(k, [&](std::size_t h, std::size_t i, std::size_t j, double cost) {
          double& to = out[k][Pair(k, i, j)];
          to = std::min(to, out[k - 1][Pair(k - 1, h, i)] + cost);
        });
      return;
    }
    ForPairs(n - 1, [&](std::size_t i, std::size_t j) { out[n - 1][Pair(n - 1, i, j)] = 0; });
    for (std::size_t k = n - 1; k >= 2; --k)
      ForTriples(k, [&](std::size_t h, std::size_t i, std::size_t j, double cost) {
        double& to = out[k - 1][Pair(k - 1, h, i)];
        to = std::min(to, out[k][Pair(k, i, j)] + cost);
      });
  }

  template <typename Each>
  void ForPairs(std::size_t k, const Each& each) const {
    for (std::size_t i = 0; i < places_[k - 1].size(); ++i)
      for (std::size_t j = 0; j < places_[k].size(); ++j)
        if (places_[k - 1][i] < places_[k][j]) each(i, j);
  }
  template <typename Each>
  void ForTriples(std::size_t k, const Each& each) const {
    ForPairs(k, [&](std::size_t i, std::size_t j) {
      for (std::size_t h = 0; h < places_[k - 2].size(); ++h) {
        if (places_[k - 2][h] >= places_[k - 1][i]) break;
        each(h, i, j, Cost(k, places_[k - 2][h], places_[k - 1][i], places_[k][j]));
      }
    });
  }

  const StampedBytes& said_;
  const StampedBytes& command_;
  std::vector<std::vector<std::size_t>> places_;  // of each byte of the command
  std::vector<std::vector<double>> up_to_, from_;
};

}  // namespace

std::optional<MixedEcho> FindMixedEcho(const StampedBytes& said, std::size_t from,
                                       const StampedBytes& command, Duration late) {
  if (command.bytes.size() < 3) return std::nullopt;  // such few bytes stand anywhere
  Ways ways(said, from, command, late);
  if (ways.TooMany()) return std::nullopt;
  return ways.Best();
}

}  // namespace witness
