#include "capture/examine/rate_finder.h"

#include <algorithm>
#include <cmath>

namespace witness {
namespace {

constexpr std::size_t kEnough = 64;  // bytes in one sitting
constexpr std::size_t kKeep = 4096;  // bytes of one setting
constexpr std::size_t kTooFew = 16;  // bytes in all
constexpr Duration kFirstPatience = Duration::Milliseconds(600);
constexpr int kMostDoublings = 3;
constexpr int kRounds = 3;
constexpr double kSureBits = 24;
constexpr double kSureMargin = 10;
// Of text in which nothing is known by name.
constexpr double kSureTextBits = 32;
constexpr std::uint64_t kSureVariety = 28;
constexpr double kLikelyBits = 10;
constexpr std::uint64_t kLikelyVariety = 4;  // of what is known; of other text twice as much
constexpr std::uint64_t kBinaryVariety = 32;
constexpr double kLikelyMargin = 4;
// So near that each character is read alike: half a bit is lost after 9.5 of them.
constexpr double kAlike = 0.045;
// Until the line has been idle for a character, a receiver may take any 0 for a start bit.
constexpr std::size_t kMayBeHalfHeard = 10;

bool Same(const LineSettings& a, const LineSettings& b) {
  return a.baud == b.baud && a.data_bits == b.data_bits && a.parity == b.parity &&
         a.stop_bits == b.stop_bits;
}

bool Alike(std::uint32_t a, std::uint32_t b) {
  return std::abs(static_cast<double>(a) / b - 1) <= kAlike;
}

void Add(RateEvidence& to, const RateEvidence& more) {
  // Of what a line repeats, hearing it again proves no more.
  to.speaks_for = std::max(to.speaks_for, more.speaks_for);
  to.against += more.against;
  to.heard += more.heard;
  to.errors += more.errors;
  to.text += more.text;
  to.in_lines = to.in_lines || more.in_lines;
  to.varied = std::max(to.varied, more.varied);
  for (const std::string& known : more.known)
    if (std::find(to.known.begin(), to.known.end(), known) == to.known.end())
      to.known.push_back(known);
}

}  // namespace

const std::vector<std::uint32_t>& LikelyRates() {
  static const std::vector<std::uint32_t> rates = {
      9600,   115200, 57600, 38400, 19200, 4800,  230400, 2400, 1200,    460800, 921600,
      250000, 500000, 14400, 28800, 31250, 74880, 300,    600,  1000000, 2000000};
  return rates;
}

std::vector<LineSettings> LikelyFormats() {
  std::vector<LineSettings> out;
  for (const char* format : {"8N1", "7E1", "8E1", "7O1", "8O1"}) {
    LineSettings one;
    ParseFormat(format, one).Ignore();
    out.push_back(one);
  }
  return out;
}

RateFinder::RateFinder(std::vector<std::uint32_t> rates, std::vector<LineSettings> formats)
    : rates_(std::move(rates)), formats_(std::move(formats)) {
  Choose();
}

Duration RateFinder::Patience() const {
  const Duration patience =
      kFirstPatience * (std::int64_t{1} << std::min(std::max(0, round_ - 1), kMostDoublings));
  // Slow rates take their time for as many characters.
  return std::max(patience, next_.CharacterTime() * static_cast<std::int64_t>(kEnough));
}

bool RateFinder::Over(Duration listened, std::size_t heard) const {
  if (heard >= kEnough) return true;
  // Where something comes it is worth waiting for more.
  return listened >= (heard == 0 ? Patience() : Patience() * 3);
}

RateFinder::Kept& RateFinder::KeptOf(const LineSettings& settings) {
  for (Kept& one : kept_)
    if (Same(one.sitting.settings, settings)) return one;
  kept_.emplace_back();
  kept_.back().sitting.settings = settings;
  return kept_.back();
}

const Sitting* RateFinder::Find(const LineSettings& settings) const {
  for (const Kept& one : kept_)
    if (Same(one.sitting.settings, settings)) return &one.sitting;
  return nullptr;
}

void RateFinder::Take(const Sitting& sitting) {
  heard_ += sitting.bytes.size();
  std::size_t from = 0;
  for (std::size_t i = 0; i < std::min(kMayBeHalfHeard, sitting.bytes.size() / 3); ++i)
    if (sitting.bad[i]) from = i + 1;
  const bool told_before = errors_are_told_;
  errors_are_told_ = errors_are_told_ || sitting.more_errors > 0 ||
                     std::find(sitting.bad.begin(), sitting.bad.end(), true) != sitting.bad.end();
  Kept& kept = KeptOf(sitting.settings);
  kept.sitting.length = kept.sitting.length + sitting.length;
  kept.sitting.more_errors += sitting.more_errors;
  for (std::size_t i = from; i < sitting.bytes.size() && kept.sitting.bytes.size() < kKeep; ++i)
    kept.sitting.Add(ByteView(sitting.bytes).substr(i, 1), sitting.bad[i]);
  WeighAnew(kept);
  if (errors_are_told_ != told_before)
    for (Kept& one : kept_) WeighAnew(one);
  Choose();
}

void RateFinder::WeighAnew(Kept& kept) const {
  kept.fits.clear();
  for (const LineSettings& format : formats_) {
    RateFit fit;
    fit.settings = format;
    fit.settings.baud = kept.sitting.settings.baud;
    if (!SaysSomethingOf(kept.sitting, fit.settings)) continue;
    fit.evidence = Weigh(kept.sitting, fit.settings, errors_are_told_);
    if (fit.evidence.heard > 0) kept.fits.push_back(std::move(fit));
  }
}

std::vector<RateFit> RateFinder::Fits() const {
  std::vector<RateFit> out;
  for (const Kept& kept : kept_) {
    for (const RateFit& fit : kept.fits) {
      const auto same = std::find_if(out.begin(), out.end(), [&](const RateFit& other) {
        return Same(other.settings, fit.settings);
      });
      if (same == out.end())
        out.push_back(fit);
      else
        Add(same->evidence, fit.evidence);
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const RateFit& a, const RateFit& b) {
    return a.evidence.bits() > b.evidence.bits();
  });
  return out;
}

// The rates in turn; then again with more patience those that said little. A setting that stands
// out is heard itself, a second time too, before anything is said of it.
void RateFinder::Choose() {
  if (!kept_.empty()) {
    const RateJudgement now = Judge();
    if (!now.fits.empty() && now.fits.front().evidence.bits() >= kLikelyBits) {
      const Sitting* own = Find(now.fits.front().settings);
      const std::size_t wanted = now.answer == RateAnswer::kSure ? kEnough : kEnough * 3;
      const bool confirmed = own != nullptr && own->bytes.size() + kMayBeHalfHeard >= wanted;
      if (now.answer == RateAnswer::kSure && confirmed) {
        done_ = true;
        return;
      }
      // Every other sitting, so that a line that has fallen silent does not keep us here.
      if (!confirmed && !Same(next_, now.fits.front().settings)) {
        next_ = now.fits.front().settings;
        return;
      }
    }
    // Readable bytes that come with errors: a parity bit is taken for the stop bit.
    for (const RateFit& fit : now.fits) {
      const RateEvidence& e = fit.evidence;
      LineSettings first = formats_.front();
      first.baud = fit.settings.baud;
      if (!Same(fit.settings, first)) continue;
      if (e.heard < kTooFew || e.errors * 10 < e.heard || e.text * 10 < e.heard * 8) continue;
      for (LineSettings format : formats_) {
        format.baud = fit.settings.baud;
        if (format.parity != Parity::kNone && format.data_bits == 8 && Find(format) == nullptr) {
          next_ = format;
          return;
        }
      }
    }
  }
  if (left_.empty()) {
    ++round_;
    for (const std::uint32_t rate : rates_) {
      LineSettings first = formats_.front();
      first.baud = rate;
      const Sitting* heard = Find(first);
      if (heard == nullptr || heard->bytes.size() < kEnough * static_cast<std::size_t>(round_))
        left_.push_back(rate);
    }
    std::reverse(left_.begin(), left_.end());
    // All is known by heart: what can still be learnt is how the best rates sound in other formats.
    if (left_.empty() || round_ > kRounds) {
      for (const RateFit& fit : Fits()) {
        for (LineSettings format : formats_) {
          format.baud = fit.settings.baud;
          if (Find(format) != nullptr) continue;
          next_ = format;
          return;
        }
      }
      done_ = true;
      return;
    }
  }
  next_ = formats_.front();
  next_.baud = left_.back();
  left_.pop_back();
}

RateJudgement RateFinder::Judge() const {
  RateJudgement out;
  out.heard = heard_;
  if (heard_ == 0) {
    out.reason = "nothing was heard at any rate";
    return out;
  }
  std::vector<RateFit> all = Fits();
  if (all.empty()) {
    out.answer = RateAnswer::kTooLittle;
    out.reason = "too little came to judge";
    return out;
  }
  const RateFit best = all.front();
  double other = 0;  // a rate that was not heard at all may still be the one
  double other_format = 0;
  for (const RateFit& fit : all) {
    if (Same(fit.settings, best.settings)) continue;
    if (fit.settings.baud == best.settings.baud)
      other_format = std::max(other_format, fit.evidence.bits());
    else if (!Alike(fit.settings.baud, best.settings.baud))
      other = std::max(other, fit.evidence.bits());
  }
  for (const RateFit& fit : all) {
    const bool rate_is_there = std::any_of(out.fits.begin(), out.fits.end(), [&](const RateFit& f) {
      return f.settings.baud == fit.settings.baud;
    });
    if (!rate_is_there || fit.settings.baud == best.settings.baud) out.fits.push_back(fit);
  }
  for (const std::uint32_t rate : rates_)
    if (rate != best.settings.baud && Alike(rate, best.settings.baud))
      out.sounds_alike.push_back(rate);
  const double bits = best.evidence.bits();
  const double margin = bits - std::max(other, other_format);
  const Sitting* own = Find(best.settings);
  const bool heard_itself = own != nullptr && own->bytes.size() >= kEnough / 2;
  const std::uint64_t varied = best.evidence.varied;
  const bool known = !best.evidence.known.empty();
  const bool text = best.evidence.text * 20 >= best.evidence.heard * 19;
  // What is known as text by its lines has to be text throughout; frames prove themselves by their
  // checksums.
  const bool lines_only =
      std::all_of(best.evidence.known.begin(), best.evidence.known.end(),
                  [](const std::string& one) { return one.starts_with("V.250"); });
  const bool torn = lines_only && (known || best.evidence.in_lines) &&
                    best.evidence.text * 10 < best.evidence.heard * 9;
  out.parity_unknown = !errors_are_told_ && best.settings.data_bits == 8;
  if (torn) {
    out.answer = RateAnswer::kNotSure;
    out.reason =
        "what came at " + FormatLineSettings(best.settings) +
        " is readable in part and rubbish in part: the line may change its rate, or be disturbed";
  } else if (bits >= (known ? kSureBits : kSureTextBits) && margin >= kSureMargin && heard_itself &&
             (known ? varied >= kLikelyVariety
                    : best.evidence.in_lines && varied >= kSureVariety)) {
    out.answer = RateAnswer::kSure;
    out.reason = "nothing else that was tried comes near";
  } else if (bits >= kLikelyBits && margin >= kLikelyMargin &&
             varied >= (known  ? kLikelyVariety
                        : text ? 2 * kLikelyVariety
                               : kBinaryVariety)) {
    out.answer = RateAnswer::kLikely;
    out.reason = "too little came, or too much of the same, to be sure";
  } else if (heard_ < kTooFew) {
    out.answer = RateAnswer::kTooLittle;
    out.reason = "too little came to judge";
  } else {
    out.answer = RateAnswer::kNotSure;
    out.reason = bits >= kLikelyBits
                     ? "more than one setting fits"
                     : "nothing that was tried makes sense of it: it may run at another rate, be "
                       "inverted (RS-232 at a logic input), or be no asynchronous line";
  }
  return out;
}

}  // namespace witness
