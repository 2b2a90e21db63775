#include "replay/vary/shrink.h"

#include <algorithm>
#include <charconv>
#include <map>
#include <optional>

#include "capture/base/text.h"
#include "replay/part/part_text.h"

namespace trial {
namespace {

// A pause is known well enough within a tenth, or this.
constexpr Duration kFineEnough = Duration::Milliseconds(2);
// By so much a machine may be late that has other things to do, too.
constexpr Duration kMargin = Duration::Milliseconds(30);

class Shrinker {
 public:
  Shrinker(const Part& part, const Combination& failing, std::size_t most_runs,
           const std::function<bool(const Combination&)>& breaks, bool exact)
      : part_(part), breaks_(breaks), most_runs_(most_runs), exact_(exact) {
    shrunk_.smallest = failing;
  }

  Shrunk Run() {
    FewerVariations();
    for (std::size_t i = 0; i < shrunk_.smallest.size(); ++i) OnePlace(i);
    for (std::size_t i = 0; i < shrunk_.smallest.size(); ++i) OneReply(i);
    for (std::size_t i = 0; i < shrunk_.smallest.size(); ++i) SmallestAmount(i);
    return std::move(shrunk_);
  }

 private:
  bool Breaks(const Combination& combination) {
    const std::string name = CombinationName(combination);
    if (const auto known = tried_.find(name); known != tried_.end()) return known->second;
    if (shrunk_.runs >= most_runs_) return false;
    ++shrunk_.runs;
    const bool broke = breaks_(combination);
    tried_[name] = broke;
    return broke;
  }

  bool Take(const Combination& combination, const std::string& step) {
    if (!Breaks(combination)) return false;
    shrunk_.smallest = combination;
    shrunk_.steps.push_back(step);
    return true;
  }

  bool TakeLevel(std::size_t i, const Variation& variation) {
    Combination combination = shrunk_.smallest;
    const std::string before = combination[i].Name();
    combination[i] = variation;
    return Take(combination, before + " made " + variation.Name());
  }

  void FewerVariations() {
    // Each alone first: most failures need one only.
    if (shrunk_.smallest.size() > 1) {
      for (const Variation& variation : Combination(shrunk_.smallest))
        if (Take({variation}, "only " + variation.Name() + " is needed")) return;
    }
    for (std::size_t i = 0; i < shrunk_.smallest.size() && shrunk_.smallest.size() > 1;) {
      Combination fewer = shrunk_.smallest;
      const std::string name = fewer[i].Name();
      fewer.erase(fewer.begin() + static_cast<std::ptrdiff_t>(i));
      if (!Take(fewer, name + " is not needed")) ++i;
    }
  }

  std::vector<std::pair<std::uint32_t, Bytes>> Replies() const {
    std::vector<std::pair<std::uint32_t, Bytes>> replies;
    for (const Rule& rule : part_.rules)
      for (const Answer& answer : rule.answers)
        if (!answer.pieces.empty()) replies.emplace_back(answer.turn, JoinPieces(answer.pieces));
    std::sort(replies.begin(), replies.end());
    return replies;
  }

  void OneReply(std::size_t i) {
    static const char* const kWhole[] = {"echo", "with",   "rate", "jitter",
                                         "stop", "glitch", "break"};
    const Variation& now = shrunk_.smallest[i];
    if (now.reply != 0 || (now.factor == "extra" && now.level.starts_with("banner"))) return;
    for (const char* factor : kWhole)
      if (now.factor == factor) return;
    const auto replies = Replies();
    if (replies.size() + part_.unasked.size() < 2) return;
    for (const auto& [number, bytes] : replies) {
      Variation one = shrunk_.smallest[i];
      one.reply = number;
      if (TakeLevel(i, one)) return;
    }
    Variation unasked = shrunk_.smallest[i];
    unasked.reply = kUnaskedOnly;
    if (!part_.unasked.empty() && VariesUnasked(unasked.factor)) TakeLevel(i, unasked);
  }

  static bool VariesUnasked(const std::string& name) {
    const auto& factors = Factors();
    return std::any_of(factors.begin(), factors.end(),
                       [&](const Factor& factor) { return factor.name == name && factor.unasked; });
  }

  // A split at many places, or a pause at many, becomes one.
  void OnePlace(std::size_t i) {
    const Variation& now = shrunk_.smallest[i];
    std::string pause;
    if (now.factor == "split" &&
        (now.level.starts_with("bytes") || now.level.starts_with("lines") || now.level == "whole"))
      pause = now.level.find(':') == std::string::npos ? ":35ms"
                                                       : now.level.substr(now.level.find(':'));
    else if (now.factor == "pace" && now.level.starts_with("pause"))
      pause = now.level.find(':') == std::string::npos ? ":50ms"
                                                       : now.level.substr(now.level.find(':'));
    else
      return;
    if (now.level == "whole") return;
    Variation one = now;
    one.factor = "split";
    one.level = "ending" + pause;
    if (TakeLevel(i, one)) return;
    std::size_t longest = 0;
    for (const auto& [number, bytes] : Replies()) longest = std::max(longest, bytes.size());
    for (const std::size_t place : {std::size_t{1}, longest / 2, std::size_t{3}, longest / 4}) {
      if (place == 0 || place >= longest) continue;
      one.level = std::to_string(place) + pause;
      if (TakeLevel(i, one)) return;
    }
  }

  // The word before ':' and the length or number of a level, if it has one.
  static std::optional<Duration> LengthOf(const Variation& variation, std::string& word) {
    const auto colon = variation.level.find(':');
    std::string text = variation.level;
    word.clear();
    if (variation.factor != "turnaround") {
      if (variation.factor == "extra") return std::nullopt;
      const bool pausing = variation.factor == "split" || variation.level.starts_with("pause") ||
                           variation.level.starts_with("late");
      if (!pausing) return std::nullopt;
      if (colon == std::string::npos) {
        word = variation.level + ":";
        if (variation.factor == "split" && variation.level == "whole") return std::nullopt;
        return Duration::Milliseconds(variation.level == "bytes"    ? 2
                                      : variation.factor == "split" ? 35
                                                                    : 50);
      }
      word = variation.level.substr(0, colon + 1);
      text = variation.level.substr(colon + 1);
    }
    const auto length = witness::ParseDuration(text);
    if (!length.ok()) return std::nullopt;
    return *length;
  }

  static std::optional<long> NumberOf(const Variation& variation, std::string& word) {
    std::string text = variation.level;
    word.clear();
    if (variation.factor == "pace" && variation.level.starts_with("slow:")) {
      word = "slow:";
      text = variation.level.substr(5);
    } else if (variation.factor == "rubbish" && variation.level.starts_with("noise")) {
      word = "noise:";
      text = variation.level.size() > 6 ? variation.level.substr(6) : "6";
    } else if (variation.factor == "rate") {
      word = variation.level.substr(0, variation.level.find_first_of("0123456789"));
      text = variation.level.substr(word.size());
    } else if (variation.factor != "length") {
      return std::nullopt;
    }
    long number = 0;
    const auto parsed = std::from_chars(text.data(), text.data() + text.size(), number);
    if (parsed.ec != std::errc()) return std::nullopt;
    return number;
  }

  // A little more than the least, or the next run might just hold; on a busy machine perhaps all.
  void AddMargin(std::size_t i, const std::string& word, Duration length, Duration breaks,
                 const Combination& at_first) {
    if (breaks >= length) return;
    const std::string from = "breaks from " + witness::FormatDuration(breaks) + " on";
    if (exact_) {
      shrunk_.steps.push_back(from);
      return;
    }
    Duration safe = breaks + std::max(breaks / 8, kMargin);
    for (; safe < length; safe = safe * 2) {
      Variation larger = shrunk_.smallest[i];
      larger.level =
          word + FormatExactDuration(Duration::Milliseconds((safe.ns() + 999'999) / 1'000'000));
      if (TakeLevel(i, larger)) {
        shrunk_.steps.push_back(from + "; so much, to be sure");
        return;
      }
    }
    shrunk_.smallest = at_first;
    shrunk_.steps.push_back(from + "; " + at_first[i].Name() + ", to be sure");
  }

  // Halves the distance between what holds and what breaks.
  void SmallestAmount(std::size_t i) {
    std::string word;
    const Combination at_first = shrunk_.smallest;
    if (const auto length = LengthOf(shrunk_.smallest[i], word)) {
      Duration holds;
      Duration breaks = *length;
      // The small ones first: what lies between may break and hold by turns.
      for (const int part : {16, 8, 4, 2}) {
        const Duration small = Duration::Milliseconds((*length / part).ns() / 1'000'000);
        if (small <= kFineEnough) continue;
        Variation smaller = shrunk_.smallest[i];
        smaller.level = word + FormatExactDuration(small);
        if (TakeLevel(i, smaller)) {
          breaks = small;
          break;
        }
        holds = small;
      }
      while (breaks - holds > std::max(kFineEnough, breaks / 10)) {
        Duration middle = holds + (breaks - holds) / 2;
        // Whole milliseconds are easier to read.
        if (middle > Duration::Milliseconds(2))
          middle = Duration::Milliseconds(middle.ns() / 1'000'000);
        if (middle <= holds || middle >= breaks) break;
        Variation smaller = shrunk_.smallest[i];
        smaller.level = word + FormatExactDuration(middle);
        if (TakeLevel(i, smaller))
          breaks = middle;
        else
          holds = middle;
        if (shrunk_.runs >= most_runs_) break;
      }
      AddMargin(i, word, *length, breaks, at_first);
      return;
    }
    if (const auto number = NumberOf(shrunk_.smallest[i], word)) {
      long holds = 0;
      long breaks = *number;
      while (breaks - holds > 1 && shrunk_.runs < most_runs_) {
        const long middle = holds + (breaks - holds) / 2;
        Variation smaller = shrunk_.smallest[i];
        smaller.level = word + std::to_string(middle) + (smaller.factor == "rate" ? "%" : "");
        if (TakeLevel(i, smaller))
          breaks = middle;
        else
          holds = middle;
      }
    }
  }

  const Part& part_;
  const std::function<bool(const Combination&)>& breaks_;
  std::size_t most_runs_;
  bool exact_;
  Shrunk shrunk_;
  std::map<std::string, bool> tried_;
};

}  // namespace

Shrunk Shrink(const Part& part, const Combination& failing, std::size_t most_runs,
              const std::function<bool(const Combination&)>& breaks, bool exact) {
  return Shrinker(part, failing, most_runs, breaks, exact).Run();
}

}  // namespace trial
