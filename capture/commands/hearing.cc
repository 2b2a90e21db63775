#include "capture/commands/hearing.h"

#include <algorithm>

#include "capture/store/capture_reader.h"

namespace witness {
namespace {

struct Part {
  std::string settings;
  Instant from;
  Instant to;
};

}  // namespace

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

}  // namespace witness
