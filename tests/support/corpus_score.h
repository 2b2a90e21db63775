// How well segments agree with a talk whose truth is known.
#pragma once

#include <algorithm>
#include <map>
#include <set>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "tests/support/corpus.h"
#include "tests/support/talk.h"

namespace witness::test {

class CorpusScore {
 public:
  // Returns whether every segment is exact.
  bool Add(const LabelledTalk& talk, const std::vector<Segment>& segments) {
    const auto truth = Places(talk.truth);
    const auto found = Places(segments);
    truth_ += truth.size();
    found_ += found.size();
    const std::size_t before = exact_;
    std::set<std::pair<Side, std::size_t>> truth_ends, found_ends;
    for (const auto& [place, i] : truth)
      truth_ends.insert({std::get<0>(place), std::get<2>(place)});
    for (const auto& [place, i] : found)
      found_ends.insert({std::get<0>(place), std::get<2>(place)});
    ends_ += truth_ends.size() + found_ends.size();
    for (const auto& end : truth_ends) ends_right_ += found_ends.count(end);
    for (const auto& [place, i] : truth) {
      const auto at = found.find(place);
      const SegmentKind kind = talk.truth[i].kind;
      if (at == found.end())
        ++confusions_[std::string(SegmentKindName(kind)) + " cut otherwise"];
      else if (segments[at->second].kind != kind)
        ++confusions_[std::string(SegmentKindName(kind)) + " taken for " +
                      SegmentKindName(segments[at->second].kind)];
      else
        ++exact_;
    }
    for (const auto& [place, i] : found) {
      const auto at = truth.find(place);
      const bool right = at != truth.end() && talk.truth[at->second].kind == segments[i].kind;
      if (segments[i].sure == Sureness::kUnsure)
        ++unsure_;
      else if (!right)
        ++wrong_and_not_unsure_;
    }
    return exact_ - before == truth.size() && truth.size() == found.size();
  }

  // Segments that are exact in place and kind, of all there are or were found.
  double Exact() const {
    return static_cast<double>(exact_) / static_cast<double>(std::max(truth_, found_));
  }
  double F1() const {
    return 2.0 * static_cast<double>(ends_right_) /
           static_cast<double>(std::max<std::size_t>(ends_, 1));
  }
  // Wrong, and nothing said so; of all.
  double WronglySure() const {
    return static_cast<double>(wrong_and_not_unsure_) /
           static_cast<double>(std::max<std::size_t>(found_, 1));
  }
  double Unsure() const {
    return static_cast<double>(unsure_) / static_cast<double>(std::max<std::size_t>(found_, 1));
  }
  // ", reply taken for echo 3"
  std::string Confusions() const {
    std::string out;
    for (const auto& [how, n] : confusions_) out += ", " + how + " " + std::to_string(n);
    return out;
  }

 private:
  // Where each segment stands in its side's bytes.
  using Place = std::tuple<Side, std::size_t, std::size_t>;
  template <typename T>
  static std::map<Place, std::size_t> Places(const std::vector<T>& segments) {
    std::map<Place, std::size_t> out;
    std::size_t at[3] = {0, 0, 0};
    for (std::size_t i = 0; i < segments.size(); ++i) {
      const T& s = segments[i];
      if (s.bytes.empty()) continue;
      std::size_t& from = at[static_cast<int>(s.side)];
      out[{s.side, from, from + s.bytes.size()}] = i;
      from += s.bytes.size();
    }
    return out;
  }

  std::size_t truth_ = 0, exact_ = 0, found_ = 0, unsure_ = 0, wrong_and_not_unsure_ = 0;
  std::size_t ends_ = 0, ends_right_ = 0;
  std::map<std::string, std::size_t> confusions_;
};

inline std::vector<Segment> SegmentsOf(const LabelledTalk& talk) {
  SegmenterOptions options;
  options.character_time = talk.character_time;
  options.stamp_uncertainty = talk.stamp_uncertainty;
  return Segments(talk.events, options);
}

}  // namespace witness::test
