#include "capture/commands/time_range.h"

#include <charconv>

#include "capture/base/text.h"

namespace witness {
namespace {

// [[H:]M:]S[.fraction], digits only between the marks. False: it is none, or too long.
bool ParseClock(std::string_view text, std::int64_t& ns) {
  constexpr std::int64_t kMost = std::int64_t{1} << 40;  // seconds; far beyond any capture
  const std::size_t point = text.find('.');
  std::string_view fraction = point == std::string_view::npos ? "" : text.substr(point + 1);
  std::string_view whole = text.substr(0, point);
  const auto number = [](std::string_view digits, std::int64_t& value) {
    const auto read = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    return !digits.empty() && digits.front() != '-' && read.ec == std::errc() &&
           read.ptr == digits.data() + digits.size();
  };
  std::int64_t seconds = 0;
  int fields = 0;
  while (true) {
    const std::size_t colon = whole.find(':');
    std::int64_t value = 0;
    if (++fields > 3 || !number(whole.substr(0, colon), value)) return false;
    if (value > kMost || (fields > 1 && value >= 60)) return false;
    seconds = seconds * 60 + value;
    if (colon == std::string_view::npos) break;
    whole.remove_prefix(colon + 1);
  }
  std::int64_t part = 0;
  if (point != std::string_view::npos) {
    if (fraction.size() > 9 || !number(fraction, part)) return false;
    for (std::size_t i = fraction.size(); i < 9; ++i) part *= 10;
  }
  constexpr std::int64_t kSecond = 1'000'000'000;
  return !__builtin_mul_overflow(seconds, kSecond, &ns) && !__builtin_add_overflow(ns, part, &ns);
}

}  // namespace

Result<Instant> ParseTimeInCapture(std::string_view text) {
  std::int64_t ns = 0;
  // Digits alone could be anything.
  if (text.find_first_of(":.") != std::string_view::npos && ParseClock(text, ns)) {
    return Instant::FromNanoseconds(ns);
  }
  const auto length = ParseDuration(text);
  if (!length.ok()) {
    return Status(Code::kInvalidArgument,
                  "'" + SafeName(text) + "' is not a time in a capture like 1m30s or 1:30.5");
  }
  return Instant() + *length;
}

void TimeRange::AddTo(CLI::App& command) {
  command.add_option("--from", from_, "Begin here, since the start: 1h2m3s, or 1:02:03 as shown");
  command.add_option("--to", to_, "End before this, since the start: 2m");
}

Status TimeRange::Apply(ReaderOptions& options) const {
  if (!from_.empty()) {
    const auto from = ParseTimeInCapture(from_);
    if (!from.ok()) return from.status().In("--from");
    options.from = *from;
  }
  if (!to_.empty()) {
    const auto to = ParseTimeInCapture(to_);
    if (!to.ok()) return to.status().In("--to");
    options.to = *to;
    if (options.to <= options.from) {
      return Status(Code::kInvalidArgument, "--to: must lie behind --from; nothing is between");
    }
  }
  return OkStatus();
}

}  // namespace witness
