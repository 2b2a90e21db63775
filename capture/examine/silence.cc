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
constexpr double kNearlyAsWell = 1.5;  // of scores: by our own measure, no source

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

// `lengths` ascending, the last one the ceiling. `avoid`, if above zero: a threshold that the
// stretch has to differ from clearly.
Stretch BestStretch(const std::vector<double>& lengths, bool one_sided, double avoid) {
  const double floor = lengths.front();
  const std::size_t known = lengths.size() - 1;
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
      if (avoid > 0 && s.threshold < avoid * 2 && s.threshold * 2 > avoid) continue;
      s.score = std::min(6.0, std::log2(b / a)) - 2 * std::fabs(std::log2(s.threshold / kUsual)) -
                0.5 * static_cast<double>(inside);
      // Where only silence separates, a threshold above all gaps separates nothing.
      if (one_sided && j >= known) s.score -= 20;
      s.below = a > floor ? a : 0;
      s.above = j < known ? b : 0;
      s.inside = inside;
      if (s.score > best.score) best = s;
    }
  }
  return best;
}

SilenceThreshold InWords(const Stretch& stretch, double floor, const SilenceHints& hints) {
  SilenceThreshold out;
  out.value = Duration::Nanoseconds(std::llround(stretch.threshold));
  out.longest_below = Duration::Nanoseconds(std::llround(stretch.below));
  out.shortest_above = Duration::Nanoseconds(std::llround(stretch.above));
  out.clear = stretch.below == 0 || stretch.above == 0 || stretch.above >= 2 * stretch.below;
  if (stretch.below == 0 && stretch.above == 0) {
    out.why = "no gap between bytes tells pauses from silences: the usual length is taken";
  } else if (stretch.above == 0) {
    out.why = "the longest pause is " + FormatDuration(out.longest_below) + ", nothing is longer";
  } else if (stretch.below == 0) {
    out.why =
        "bytes either follow at once or after " + FormatDuration(out.shortest_above) + " and more";
  } else {
    out.why = "pauses last up to " + FormatDuration(out.longest_below) + ", silences " +
              FormatDuration(out.shortest_above) + " and more";
  }
  if (hints.pause_in_answers > Duration::Zero())
    out.why += "; answers go on after " + FormatDuration(hints.pause_in_answers);
  if (stretch.inside > 0) out.why += " (but for " + std::to_string(stretch.inside) + ")";
  if (!out.clear) out.why += "; they are hardly told apart, so boundaries are unsure";
  if (stretch.threshold <= floor * 1.01) {
    out.why += "; no shorter, since ";
    if (floor == std::round(1.25 * static_cast<double>(hints.stamp_uncertainty.ns())))
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

}  // namespace

Duration ShortestSilence(const SilenceHints& hints) {
  return Duration::Nanoseconds(
      std::llround(std::max({kShortest, 3.5 * static_cast<double>(hints.character_time.ns()),
                             1.25 * static_cast<double>(hints.stamp_uncertainty.ns()),
                             1.1 * static_cast<double>(hints.pause_in_answers.ns())})));
}

SilenceThreshold DeriveSilence(std::vector<Duration> gaps, const SilenceHints& hints,
                               std::optional<SilenceThreshold>* rival) {
  const auto floor = static_cast<double>(ShortestSilence(hints).ns());
  const double ceiling = std::max(kLongest, 4 * floor);
  std::vector<double> lengths;
  lengths.reserve(gaps.size() + 2);
  lengths.push_back(floor);
  for (const Duration gap : gaps)
    lengths.push_back(std::clamp(static_cast<double>(gap.ns()), floor, ceiling));
  std::sort(lengths.begin(), lengths.end());
  lengths.push_back(ceiling);
  Stretch best = BestStretch(lengths, hints.one_sided, 0);
  if (best.score <= -1e8) best.threshold = std::max(kUsual, floor);
  if (rival != nullptr) {
    const Stretch second = BestStretch(lengths, hints.one_sided, best.threshold);
    if (second.score >= best.score - kNearlyAsWell) *rival = InWords(second, floor, hints);
  }
  return InWords(best, floor, hints);
}

}  // namespace witness
