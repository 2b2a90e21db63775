#include "capture/examine/bare_echo.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <set>
#include <vector>

#include "capture/examine/echo_order.h"
#include "capture/examine/lines_of.h"

namespace witness {
namespace {

constexpr std::size_t kLongestCommand = 256;
constexpr std::size_t kMostDistinct = 64;
// No stamp is so exact that less would show, and later ones show no pause at all (by our own
// measure, no source).
constexpr Duration kShortestPause = Duration::Microseconds(250);
constexpr Duration kLateStamps = Duration::Milliseconds(3);
// So seldom is chance taken for a pause (by our own measure, no source).
constexpr double kByChance = 1e-3;
constexpr double kNearlyChance = 0.05;
// Of times that are compared, and by how many of their errors they differ (the same).
constexpr std::size_t kNear = 4;  // bytes
constexpr double kFewestReads = 5;
constexpr double kManyErrors = 3.5;

// How likely it is that of `n` chances, each of the share `p`, `k` or more come true.
double AsManyOrMore(std::size_t k, std::size_t n, double p) {
  if (k == 0 || p >= 1) return 1;
  if (p <= 0) return 0;
  double out = 0;
  for (std::size_t i = k; i <= n; ++i) {
    const auto of = static_cast<double>(n), is = static_cast<double>(i);
    out += std::exp(std::lgamma(of + 1) - std::lgamma(is + 1) - std::lgamma(of - is + 1) +
                    is * std::log(p) + (of - is) * std::log1p(-p));
  }
  return out;
}

// One line with something in it: the host's words since the module spoke last.
bool IsOneLine(ByteView said) {
  const ByteView line = Stripped(said);
  return line.size() >= 2 && line.size() < said.size() && IsText(said) && said.starts_with(line) &&
         FindLineEnd(line, 0) == ByteView::npos;
}

class Watch {
 public:
  explicit Watch(const SegmenterOptions& options) : options_(options) {}

  void Host(ByteView bytes) {
    if (answering_) Settle();
    if (command_.size() < kLongestCommand) command_ += bytes;
  }
  void Module(const TapeItem& item, ByteView bytes) {
    if (command_.empty()) return;
    const Duration idle = answering_
                              ? IdleBefore(last_, item.at, item.size, options_.character_time)
                              : Duration::Zero();
    const std::size_t line = Stripped(command_).size();
    if (idle > kShortestPause) {
      if (said_.size() == line) at_seam_ = std::max(at_seam_, idle);
      if (said_.size() < line * 2) longest_ = std::max(longest_, idle);
    }
    if (said_.size() <= kLongestCommand) reads_.push_back({said_.size(), bytes.size(), item.at});
    answering_ = true;
    last_ = item.at;
    if (said_.size() <= kLongestCommand) said_ += bytes;
  }
  void Break() { Clear(); }
  BareEcho Found() {
    if (answering_) Settle();
    const bool enough = given_back_ >= 3 && distinct_.size() >= 2 &&
                        given_back_ * 100 >= (given_back_ + others_) * 97;
    if (!enough) return BareEcho::kNone;
    if (pauses_.Tell() || long_pauses_.Tell()) return BareEcho::kGiven;
    if (options_.stamp_uncertainty < kLateStamps) return BareEcho::kNone;
    const bool pause = MostCutBehind() && (OftenCutBehind() || LongerBehind());
    return pause ? BareEcho::kGiven : BareEcho::kUntold;
  }

 private:
  void Settle() {
    const ByteView line = Stripped(command_);
    if (IsOneLine(command_)) {
      const bool more =
          said_.size() > line.size() && said_.starts_with(line) && !IsLineEnd(said_[line.size()]);
      ++(more ? given_back_ : others_);
      if (more) {
        if (distinct_.size() < kMostDistinct) distinct_.insert(Bytes(line));
        if (longest_ > Duration::Zero()) pauses_.Add(at_seam_ == longest_);
        if (longest_ > options_.stamp_uncertainty) long_pauses_.Add(at_seam_ == longest_);
        if (options_.stamp_uncertainty >= kLateStamps) {
          NoteCuts(line.size());
          NoteTimes(line.size());
        }
      }
    }
    Clear();
  }
  void Clear() {
    command_.clear();
    said_.clear();
    reads_.clear();
    answering_ = false;
    at_seam_ = longest_ = Duration::Zero();
  }

  struct Read {
    std::size_t from = 0, size = 0;  // in the answer
    Instant at;
  };
  // By how much reads took longer than their bytes do.
  struct Times {
    double n = 0, sum = 0, squares = 0;

    void Add(double longer) {
      n += 1;
      sum += longer;
      squares += longer * longer;
    }
    double Mean() const { return sum / n; }
    double Variance() const { return std::max(0.0, squares / n - Mean() * Mean()); }
  };

  // Of the reads with the bytes on both sides of each place in the answer: a pause there may be in
  // both. The first read began and the last one ended somewhere between two ticks of a timer.
  void NoteTimes(std::size_t line) {
    const auto holding = [&](std::size_t byte) {
      std::size_t i = 0;
      while (i + 1 < reads_.size() && reads_[i + 1].from <= byte) ++i;
      return i;
    };
    const std::size_t first = holding(line - 1), last = holding(line);
    const std::size_t end = std::min(said_.size(), kLongestCommand);
    for (std::size_t place = 1; place < end; ++place) {
      const std::size_t from = holding(place - 1), to = holding(place);
      if (from == 0 || to + 1 >= reads_.size()) continue;
      if (place != line && from <= last && first <= to) continue;
      const std::size_t bytes = reads_[to].from + reads_[to].size - reads_[from].from;
      const Duration longer = reads_[to].at - reads_[from - 1].at -
                              options_.character_time * static_cast<std::int64_t>(bytes);
      (place == line ? behind_ : elsewhere_).Add(static_cast<double>(longer.ns()));
    }
  }
  // Whether reads that hold the first byte behind the command take longer than others.
  bool LongerBehind() const {
    if (options_.character_time == Duration::Zero()) return false;
    if (behind_.n < kFewestReads) return false;
    // If there are none, they would take as long as their bytes.
    const bool others = elsewhere_.n >= kFewestReads;
    const double longer = behind_.Mean() - (others ? elsewhere_.Mean() : 0);
    const auto least = static_cast<double>(kShortestPause.ns());
    // Where ticks fall adds or takes up to a character's time.
    const auto character = static_cast<double>(options_.character_time.ns());
    const double error = std::max(behind_.Variance(), character * character / 6) / behind_.n +
                         (others ? elsewhere_.Variance() / elsewhere_.n : 0);
    return longer > least && longer * longer > kManyErrors * kManyErrors * error;
  }

  // Where the answers to commands of one length were cut into reads.
  struct Cuts {
    std::size_t answers = 0, places = 0, all = 0;
    std::map<std::size_t, std::size_t> at;  // how often so many bytes behind the beginning

    std::size_t At(std::size_t place) const {
      const auto found = at.find(place);
      return found == at.end() ? 0 : found->second;
    }
  };

  void NoteCuts(std::size_t line) {
    Cuts& cuts = cuts_of_[line];
    ++cuts.answers;
    cuts.places += said_.size() - 1;
    for (std::size_t i = 1; i < reads_.size(); ++i) {
      ++cuts.all;
      ++cuts.at[reads_[i].from];
    }
  }
  // Whether no place near the command's end is cut more often: the pause may as well stand there.
  bool MostCutBehind() const {
    std::size_t behind = 0;
    std::array<std::size_t, 2 * kNear + 1> near = {};
    for (const auto& [length, cuts] : cuts_of_) {
      behind += cuts.At(length);
      for (std::size_t i = 0; i < near.size(); ++i)
        if (i != kNear && length + i > kNear) near[i] += cuts.At(length + i - kNear);
    }
    return behind > *std::max_element(near.begin(), near.end());
  }
  // An adapter's timer cuts where it happens to, and so in a pause more often than between two
  // bytes that follow each other. One that counts bytes would cut the answers to shorter or longer
  // commands at the same places.
  bool OftenCutBehind() const {
    std::size_t answers = 0, behind = 0, places = 0, all = 0, others = 0, at_same = 0;
    for (const auto& [length, cuts] : cuts_of_) {
      answers += cuts.answers;
      behind += cuts.At(length);
      places += cuts.places;
      all += cuts.all;
      for (const auto& [other, theirs] : cuts_of_) {
        if (other == length) continue;
        others += theirs.answers;
        at_same += theirs.At(length);
      }
    }
    if (others == 0) return false;
    const auto by_chance = [&](std::size_t n, std::size_t of) {
      return AsManyOrMore(behind, answers, static_cast<double>(n) / static_cast<double>(of));
    };
    return by_chance(all, places) < kByChance && by_chance(at_same + 1, others + 1) < kNearlyChance;
  }

  // Where the longest pause in an answer stood.
  struct Pauses {
    std::size_t behind = 0, elsewhere = 0;

    void Add(bool behind_command) { ++(behind_command ? behind : elsewhere); }
    bool Tell() const { return behind >= 3 && behind > elsewhere * 3; }
  };

  const SegmenterOptions& options_;
  Bytes command_, said_;
  bool answering_ = false;
  Instant last_;
  Duration at_seam_, longest_;  // pauses in the answer under way, behind the command and anywhere
  std::size_t given_back_ = 0, others_ = 0;
  Pauses pauses_, long_pauses_;  // the latter longer than late stamps can feign
  std::set<Bytes> distinct_;
  std::vector<Read> reads_;  // of the answer under way
  Times behind_, elsewhere_;
  std::map<std::size_t, Cuts> cuts_of_;  // by the command's length
};

}  // namespace

BareEcho FindBareEcho(const Tape& tape, const SegmenterOptions& options) {
  Watch watch(options);
  EchoOrder order(options.stamp_uncertainty, options.character_time);
  order.Run(tape, 0, Instant::Never(), [&](const TapeItem& item) {
    if (item.kind != EventKind::kBytes) {
      watch.Break();
    } else if (item.size > 0) {
      if (item.side == Side::kHost) watch.Host(tape.BytesOf(item));
      if (item.side == Side::kModule) watch.Module(item, tape.BytesOf(item));
    }
  });
  return watch.Found();
}

}  // namespace witness
