#include "capture/examine/silence.h"

#include <algorithm>
#include <cmath>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr double kUsual = 100e6;     // ns
constexpr double kLongest = 2e9;     // ns
constexpr double kShortest = 0.5e6;  // ns
constexpr double kMargin = 3;

struct Stretch {
  double score = -1e9;
  double threshold = kUsual;
  double below = 0;
  double above = 0;
  std::size_t inside = 0;
};

// The best place between `a` and `b`: as near to the usual as a margin on both sides allows.
double PlaceBetween(double a, double b) {
  const double margin = std::min(kMargin, std::sqrt(b / a));
  return std::clamp(kUsual, a * margin, std::max(a * margin, b / margin));
}

}  // namespace

SilenceThreshold DeriveSilence(std::vector<Duration> gaps, const SilenceHints& hints) {
  const double floor = std::max({kShortest, 3.5 * static_cast<double>(hints.character_time.ns()),
                                 1.25 * static_cast<double>(hints.stamp_uncertainty.ns()),
                                 1.1 * static_cast<double>(hints.pause_in_answers.ns())});
  const double ceiling = std::max(kLongest, 4 * floor);
  std::vector<double> lengths;
  lengths.reserve(gaps.size() + 2);
  lengths.push_back(floor);
  for (const Duration gap : gaps)
    lengths.push_back(std::clamp(static_cast<double>(gap.ns()), floor, ceiling));
  std::sort(lengths.begin(), lengths.end());
  const std::size_t known = lengths.size();
  lengths.push_back(ceiling);

  const std::size_t strays = known / 100;
  Stretch best;
  for (std::size_t i = 0; i + 1 < lengths.size(); ++i) {
    if (i + 1 < known && lengths[i] == lengths[i + 1] && strays == 0) continue;
    for (std::size_t inside = 0; inside <= strays && i + 1 + inside < lengths.size(); ++inside) {
      const std::size_t j = i + 1 + inside;
      const double a = lengths[i], b = lengths[j];
      if (b < a * 1.2) continue;
      Stretch s;
      s.threshold = PlaceBetween(a, b);
      s.score = std::min(6.0, std::log2(b / a)) - 2 * std::fabs(std::log2(s.threshold / kUsual)) -
                0.5 * static_cast<double>(inside);
      // Where only silence separates, a threshold above all gaps separates nothing.
      if (hints.one_sided && j >= known) s.score -= 20;
      s.below = a > floor ? a : 0;
      s.above = j < known ? b : 0;
      s.inside = inside;
      if (s.score > best.score) best = s;
    }
  }
  SilenceThreshold out;
  if (best.score <= -1e8) best.threshold = std::max(kUsual, floor);
  out.value = Duration::Nanoseconds(std::llround(best.threshold));
  out.longest_below = Duration::Nanoseconds(std::llround(best.below));
  out.shortest_above = Duration::Nanoseconds(std::llround(best.above));
  out.clear = best.below == 0 || best.above == 0 || best.above >= 2 * best.below;
  if (best.below == 0 && best.above == 0) {
    out.why = "no gap between bytes tells pauses from silences: the usual length is taken";
  } else if (best.above == 0) {
    out.why = "the longest pause is " + FormatDuration(out.longest_below) + ", nothing is longer";
  } else if (best.below == 0) {
    out.why =
        "bytes either follow at once or after " + FormatDuration(out.shortest_above) + " and more";
  } else {
    out.why = "pauses last up to " + FormatDuration(out.longest_below) + ", silences " +
              FormatDuration(out.shortest_above) + " and more";
  }
  if (hints.pause_in_answers > Duration::Zero())
    out.why += "; answers go on after " + FormatDuration(hints.pause_in_answers);
  if (best.inside > 0) out.why += " (but for " + std::to_string(best.inside) + ")";
  if (!out.clear) out.why += "; they are hardly told apart, so boundaries are unsure";
  if (best.threshold <= floor * 1.01) {
    out.why += "; no shorter, since ";
    if (floor == 1.25 * static_cast<double>(hints.stamp_uncertainty.ns()))
      out.why += "stamps may be late by " + FormatDuration(hints.stamp_uncertainty);
    else if (hints.pause_in_answers > Duration::Zero())
      out.why += "answers pause as long";
    else if (floor > kShortest)
      out.why += "that is 3.5 character times";
    else
      out.why += "stamps are no finer";
  }
  return out;
}

}  // namespace witness
