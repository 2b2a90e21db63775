#include "capture/examine/bare_echo.h"

#include <algorithm>
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
    return options_.stamp_uncertainty >= kLateStamps ? BareEcho::kUntold : BareEcho::kNone;
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
      }
    }
    Clear();
  }
  void Clear() {
    command_.clear();
    said_.clear();
    answering_ = false;
    at_seam_ = longest_ = Duration::Zero();
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
