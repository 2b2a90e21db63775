#include "capture/commands/hearing.h"

#include <algorithm>
#include <charconv>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr std::size_t kSettingsNamed = 8;

struct Part {
  std::string settings;
  Instant from;
  Instant to;
};

}  // namespace

std::optional<LineSettings> ParseSettings(std::string_view text) {
  LineSettings out;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), out.baud);
  const auto digits = static_cast<std::size_t>(end - text.data());
  if (error != std::errc() || digits == text.size() || text[digits] != ' ') return std::nullopt;
  if (!ParseFormat(text.substr(digits + 1), out).ok()) return std::nullopt;
  return out;
}

Result<Hearing> FindHearing(const std::string& capture) {
  Hearing out;
  auto reader = CaptureReader::Open(capture);
  if (!reader.ok()) return reader.status();
  const std::string listening = kListeningAt;
  const std::string changing = kChangingTo;
  const std::string best = kFitsBest;
  std::vector<Part> parts;
  bool heard = false;    // it begins as `listen` begins a capture
  bool settled = false;  // else what comes may still have been heard at the setting before
  Instant last;
  Event event;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
    const bool note = event.kind == EventKind::kNote;
    if (note && event.bytes.starts_with(changing)) {
      if (settled) parts.back().to = event.at;
      settled = false;
      heard = true;
    } else if (note && event.bytes.starts_with(listening)) {
      if (settled) parts.back().to = event.at;
      parts.push_back({std::string(event.bytes.substr(listening.size())), event.at, event.at});
      settled = heard = true;
    } else if (!heard && !note) {
      return out;
    } else if (note && event.bytes.starts_with(best)) {
      out.best = event.bytes.substr(best.size());
    }
    last = event.at;
  }
  if (parts.empty()) return out;
  if (settled) parts.back().to = last + Duration::Nanoseconds(1);
  Duration longest;
  for (const Part& part : parts) {
    if (std::find(out.settings.begin(), out.settings.end(), part.settings) == out.settings.end())
      out.settings.push_back(part.settings);
    if (part.settings != out.best || part.to - part.from <= longest) continue;
    longest = part.to - part.from;
    out.from = part.from;
    out.to = part.to;
  }
  if (longest <= Duration()) out.best.clear();
  return out;
}

std::string SettingsHeard(const Hearing& hearing, const std::string& but) {
  std::vector<std::string> named;
  for (const std::string& settings : hearing.settings)
    if (settings != but) named.push_back(SafeText(settings));
  std::string out;
  for (std::size_t i = 0; i < std::min(named.size(), kSettingsNamed); ++i)
    out += (i == 0 ? "" : ", ") + named[i];
  if (named.size() > kSettingsNamed)
    out += " and " + std::to_string(named.size() - kSettingsNamed) + " more";
  return out;
}

Result<OneLine> OneLineOf(const std::string& capture, const ReaderOptions& asked, bool chosen,
                          bool can_choose) {
  OneLine out;
  out.reading = asked;
  const Result<Hearing> hearing = FindHearing(capture);
  if (!hearing.ok()) return hearing.status();
  if (hearing->settings.size() < 2) return out;
  const std::string count = std::to_string(hearing->settings.size()) + " settings";
  out.title = "heard at " + count + ", one by one";
  out.reading.heard_at = LineSettings();
  out.reading.heard_at->baud = 0;
  const std::string what = SafeName(capture) + " was " + out.title;
  if (chosen) {
    out.words = what + ": " + SettingsHeard(*hearing) + "; the notes in it say when at which";
    return out;
  }
  const std::optional<LineSettings> best = ParseSettings(hearing->best);
  if (!best) {
    out.title += ", and none fitted";
    out.words = what + ", and none fitted (" + SettingsHeard(*hearing) +
                "): what follows is mostly rubbish; record the line anew";
    return out;
  }
  out.reading.from = hearing->from;
  out.reading.to = hearing->to;
  out.reading.heard_at = best;
  out.title = "heard at " + hearing->best + ", the best of " + count;
  out.words = what + "; this is of the longest time at the best, " + SafeText(hearing->best) +
              " (the others: " + SettingsHeard(*hearing, hearing->best) +
              (can_choose ? "; --from and --to choose another part)" : ")");
  return out;
}

}  // namespace witness
