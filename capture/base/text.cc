#include "capture/base/text.h"

#include <charconv>
#include <cinttypes>
#include <cmath>
#include <cstdint>
#include <cstdio>

namespace witness {
namespace {

void AppendEscaped(std::string& out, std::uint8_t b) {
  static constexpr char kDigits[] = "0123456789abcdef";
  out += "\\x";
  out += kDigits[b >> 4];
  out += kDigits[b & 15];
}

// Length of the valid UTF-8 sequence at text[i] (2 to 4), or 0; its code point in `point`.
// Well-formed sequences per RFC 3629 section 4.
std::size_t Utf8At(std::string_view text, std::size_t i, std::uint32_t& point) {
  const auto at = [&](std::size_t k) { return static_cast<std::uint8_t>(text[i + k]); };
  const std::uint8_t lead = at(0);
  std::size_t length = 0;
  if (lead >= 0xC2 && lead <= 0xDF)
    length = 2;
  else if ((lead & 0xF0) == 0xE0)
    length = 3;
  else if (lead >= 0xF0 && lead <= 0xF4)
    length = 4;
  if (length == 0 || i + length > text.size()) return 0;
  point = lead & (0x7Fu >> length);
  for (std::size_t k = 1; k < length; ++k) {
    if ((at(k) & 0xC0) != 0x80) return 0;
    point = (point << 6) | (at(k) & 0x3Fu);
  }
  if (length == 3 && (point < 0x800 || (point >= 0xD800 && point <= 0xDFFF))) return 0;
  if (length == 4 && (point < 0x10000 || point > 0x10FFFF)) return 0;
  return length;
}

// Code points that could change how the text around them is shown: C1 controls, zero-width and
// bidirectional marks, line separators, byte order mark, tags.
bool Disturbs(std::uint32_t p) {
  return (p >= 0x80 && p <= 0x9F) || p == 0xAD || p == 0x61C || p == 0x180E ||
         (p >= 0x200B && p <= 0x200F) || (p >= 0x2028 && p <= 0x202E) ||
         (p >= 0x2060 && p <= 0x206F) || p == 0xFEFF || (p >= 0xFFF9 && p <= 0xFFFB) ||
         (p >= 0xE0000 && p <= 0xE007F);
}

}  // namespace

std::string SafeText(ByteView bytes) {
  std::string out;
  out.reserve(bytes.size() + 8);
  for (const char c : bytes) {
    const auto b = static_cast<std::uint8_t>(c);
    if (c == '\r')
      out += "\u240D";
    else if (c == '\n')
      out += "\u240A";
    else if (c == '\\')
      out += "\\\\";
    else if (b >= 0x20 && b < 0x7f)
      out += c;
    else
      AppendEscaped(out, b);
  }
  return out;
}

std::string SafeTextWithEnding(ByteView bytes) {
  std::string out = SafeText(bytes);
  if (bytes.empty() || (bytes.back() != '\r' && bytes.back() != '\n')) out += "\u2205";
  return out;
}

std::string SafeName(std::string_view name) {
  std::string out;
  for (std::size_t i = 0; i < name.size();) {
    const auto b = static_cast<std::uint8_t>(name[i]);
    if (b >= 0x20 && b < 0x7f) {
      out += name[i++];
      continue;
    }
    std::uint32_t point = 0;
    const std::size_t length = b >= 0x80 ? Utf8At(name, i, point) : 0;
    if (length == 0) {
      AppendEscaped(out, b);
      ++i;
      continue;
    }
    for (std::size_t k = 0; k < length; ++k) {
      if (Disturbs(point))
        AppendEscaped(out, static_cast<std::uint8_t>(name[i + k]));
      else
        out += name[i + k];
    }
    i += length;
  }
  return out;
}

std::string FormatDuration(Duration d) {
  if (d < Duration::Zero()) {
    return "-" + FormatDuration(Duration::Zero() - d);
  }
  const double s = d.seconds();
  const auto number = [](double v, const char* unit) {
    char buffer[48];
    const int decimals = v >= 99.95 ? 0 : v >= 9.995 ? 1 : 2;
    std::snprintf(buffer, sizeof buffer, "%.*f", decimals, v);
    std::string out = buffer;
    return out + " " + unit;
  };
  if (d == Duration::Zero()) return "0 s";
  if (d.ns() < 1000) return std::to_string(d.ns()) + " ns";
  if (s < 0.9995e-3) return number(s * 1e6, "us");
  if (s < 0.9995) return number(s * 1e3, "ms");
  if (s < 59.995) return number(s, "s");
  const std::int64_t whole = std::llround(s);
  const std::int64_t days = whole / 86400;
  const std::int64_t hours = whole / 3600 % 24;
  const std::int64_t minutes = whole / 60 % 60;
  const std::int64_t seconds = whole % 60;
  if (days > 0) return std::to_string(days) + " d " + std::to_string(hours) + " h";
  if (hours > 0) return std::to_string(hours) + " h " + std::to_string(minutes) + " min";
  return std::to_string(minutes) + " min " + std::to_string(seconds) + " s";
}

std::string FormatInstant(Instant t) {
  std::int64_t us = t.ns() / 1000;
  const char* sign = "";
  if (us < 0) {
    sign = "-";
    us = -us;
  }
  const std::int64_t seconds = us / 1'000'000;
  const std::int64_t fraction = us % 1'000'000;
  char buffer[64];
  if (seconds < 60) {
    std::snprintf(buffer, sizeof buffer, "%s%" PRId64 ".%06" PRId64, sign, seconds, fraction);
  } else if (seconds < 3600) {
    std::snprintf(buffer, sizeof buffer, "%s%" PRId64 ":%02" PRId64 ".%06" PRId64, sign,
                  seconds / 60, seconds % 60, fraction);
  } else {
    std::snprintf(buffer, sizeof buffer, "%s%" PRId64 ":%02" PRId64 ":%02" PRId64 ".%06" PRId64,
                  sign, seconds / 3600, seconds / 60 % 60, seconds % 60, fraction);
  }
  return buffer;
}

std::string FormatSize(std::uint64_t bytes) {
  static constexpr const char* kUnits[] = {"B", "kB", "MB", "GB", "TB"};
  double value = static_cast<double>(bytes);
  int unit = 0;
  while (value >= 999.5 && unit < 4) {
    value /= 1000;
    ++unit;
  }
  char buffer[48];
  std::snprintf(buffer, sizeof buffer, "%.*f %s", unit > 0 && value < 9.95 ? 1 : 0, value,
                kUnits[unit]);
  return buffer;
}

Result<Duration> ParseDuration(std::string_view text) {
  const auto bad = [&] {
    return Status(Code::kInvalidArgument, "'" + SafeName(text) +
                                              "' is not a length of time like 250ms, 1.5s or "
                                              "1h2m3s");
  };
  if (text.empty()) return bad();
  long long total = 0;
  std::size_t i = 0;
  while (i < text.size()) {
    if (text[i] < '0' || text[i] > '9') return bad();
    double value = 0;
    const char* end = text.data() + text.size();
    const auto parsed = std::from_chars(text.data() + i, end, value, std::chars_format::fixed);
    if (parsed.ec != std::errc()) return bad();
    i = static_cast<std::size_t>(parsed.ptr - text.data());
    const std::size_t unit_start = i;
    while (i < text.size() && text[i] >= 'a' && text[i] <= 'z') ++i;
    const std::string_view unit = text.substr(unit_start, i - unit_start);
    double scale = 0;
    if (unit == "ns")
      scale = 1;
    else if (unit == "us")
      scale = 1e3;
    else if (unit == "ms")
      scale = 1e6;
    else if (unit == "s")
      scale = 1e9;
    else if (unit == "m" || unit == "min")
      scale = 60e9;
    else if (unit == "h")
      scale = 3600e9;
    else if (unit == "d")
      scale = 86400e9;
    else
      return bad();
    const double ns = value * scale;
    if (!(ns < 9.2e18)) return bad();
    if (__builtin_add_overflow(total, std::llround(ns), &total)) return bad();
  }
  return Duration::Nanoseconds(total);
}

Result<std::uint64_t> ParseSize(std::string_view text) {
  const auto bad = [&] {
    return Status(Code::kInvalidArgument,
                  "'" + SafeName(text) + "' is not a size like 100MB, 64kB or 512B");
  };
  double value = 0;
  if (text.empty() || text[0] < '0' || text[0] > '9') return bad();
  const char* end = text.data() + text.size();
  const auto parsed = std::from_chars(text.data(), end, value, std::chars_format::fixed);
  if (parsed.ec != std::errc()) return bad();
  const std::string_view unit(parsed.ptr, static_cast<std::size_t>(end - parsed.ptr));
  double scale = 0;
  if (unit == "B")
    scale = 1;
  else if (unit == "kB")
    scale = 1e3;
  else if (unit == "MB")
    scale = 1e6;
  else if (unit == "GB")
    scale = 1e9;
  else if (unit == "TB")
    scale = 1e12;
  else
    return bad();
  const double bytes = value * scale;
  if (!(bytes < 1.8e19)) return bad();
  return static_cast<std::uint64_t>(bytes);
}

}  // namespace witness
