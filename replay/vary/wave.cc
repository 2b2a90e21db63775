// The factors that change how the same bytes stand on the wire: rate, jitter, stop, glitch, break.
// They are for the whole line, never for one reply.
#include <charconv>
#include <optional>

#include "replay/vary/change.h"

namespace trial {
namespace {

using witness::OkStatus;
using witness::Status;

// What no program can make good: it has to end in time, without crashing.
constexpr Expectation kToCope{false, false, false, false, {}};

// "+3%", "-2.5%", "10%", "0.5": the percent sign may be left out.
std::optional<double> Amount(std::string text, double least, double most) {
  if (text.ends_with('%')) text.pop_back();
  if (text.starts_with('+')) text.erase(0, 1);
  double value = 0;
  const char* end = text.data() + text.size();
  const auto parsed = std::from_chars(text.data(), end, value);
  if (text.empty() || parsed.ec != std::errc() || parsed.ptr != end) return std::nullopt;
  if (!(value >= least && value <= most)) return std::nullopt;
  return value;
}

// Puts an amount on the part's waveform.
Status Put(Change& change, double Waveform::*field, double least, double most) {
  const auto amount = Amount(change.variation.level, least, most);
  if (!amount || change.variation.reply != 0) return UnknownLevel(change.variation);
  change.varied.part.waveform.*field = *amount;
  return OkStatus();
}

}  // namespace

Status VaryRate(Change& change) { return Put(change, &Waveform::rate_percent, -50, 100); }

Status VaryJitter(Change& change) { return Put(change, &Waveform::jitter_percent, 0, 50); }

Status VaryStop(Change& change) { return Put(change, &Waveform::stop_bits, 0, 1000); }

Status VaryGlitch(Change& change) {
  const auto width = Amount(change.Word(), 0, 100);
  const auto every = Amount(change.Value().empty() ? "8" : change.Value(), 1, 1e6);
  if (!width || !every || change.variation.reply != 0) return UnknownLevel(change.variation);
  change.varied.part.waveform.glitch_percent = *width;
  change.varied.part.waveform.glitch_every = static_cast<std::uint32_t>(*every);
  change.varied.expectation = change.varied.expectation.With(kToCope);
  return OkStatus();
}

Status VaryBreak(Change& change) {
  if (change.variation.level != "before" || change.variation.reply != 0)
    return UnknownLevel(change.variation);
  change.varied.part.waveform.break_before = true;
  change.varied.expectation = change.varied.expectation.With(kToCope);
  return OkStatus();
}

}  // namespace trial
