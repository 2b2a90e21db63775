// Which rate and format a line runs at, from listening alone: says what to listen at next and for
// how long, is told what was heard, and judges. Never asks for anything to be sent.
//
// Pure: no port, no clock. Memory is bounded: of each setting the first 4 kB are kept.
#pragma once

#include <string>
#include <vector>

#include "capture/examine/rate_evidence.h"

namespace witness {

enum class RateAnswer {
  kNothingHeard,
  kTooLittle,  // something came, but too little to tell anything from it
  kNotSure,    // enough came, and no setting stands out
  kLikely,
  kSure,
};

struct RateFit {
  LineSettings settings;
  RateEvidence evidence;
};

struct RateJudgement {
  RateAnswer answer = RateAnswer::kNothingHeard;
  // Those of which something was heard, best first; at most one a rate but for the best's own rate.
  std::vector<RateFit> fits;
  // Rates tried that are so near to the best one that they sound the same.
  std::vector<std::uint32_t> sounds_alike;
  // No error was ever reported: eight data bits with a parity bit behind them can't be told from
  // 8N1 then, and whatever is said of the format rests on the bytes alone.
  bool parity_unknown = false;
  std::string reason;  // one line: why not sure, or what it rests on
  std::uint64_t heard = 0;
};

// In the order in which they are worth trying (common practice, no source).
const std::vector<std::uint32_t>& LikelyRates();
// 8N1 first. 8N2 sounds like 8N1 and is not among them.
std::vector<LineSettings> LikelyFormats();

class RateFinder {
 public:
  RateFinder(std::vector<std::uint32_t> rates, std::vector<LineSettings> formats);

  // What to listen at now. The same until Take().
  LineSettings Next() const { return next_; }
  // Whether to listen no longer: this long, having heard so many bytes.
  bool Over(Duration listened, std::size_t heard) const;
  // When to ask Over() again at the latest, counted from the beginning of the sitting.
  Duration Patience() const;

  void Take(const Sitting& sitting);

  // Nothing would be gained by listening on.
  bool Done() const { return done_; }
  RateJudgement Judge() const;

 private:
  // What was heard at one setting, and what it says of each format.
  struct Kept {
    Sitting sitting;
    std::vector<RateFit> fits;
  };

  std::vector<RateFit> Fits() const;
  Kept& KeptOf(const LineSettings& settings);
  const Sitting* Find(const LineSettings& settings) const;
  void WeighAnew(Kept& kept) const;
  void Choose();

  std::vector<std::uint32_t> rates_;
  std::vector<LineSettings> formats_;
  std::vector<Kept> kept_;           // one of each setting that was listened at
  std::vector<std::uint32_t> left_;  // rates to be heard in this round
  bool errors_are_told_ = false;
  std::uint64_t heard_ = 0;
  int round_ = 0;
  LineSettings next_;
  bool done_ = false;
};

}  // namespace witness
