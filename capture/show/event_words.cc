#include "capture/show/event_words.h"

#include "capture/base/text.h"

namespace witness {
namespace {

std::string LineNames(std::uint32_t lines) {
  static constexpr struct {
    std::uint32_t bit;
    const char* name;
  } kNames[] = {{kRts, "RTS"}, {kCts, "CTS"}, {kDtr, "DTR"},
                {kDsr, "DSR"}, {kDcd, "DCD"}, {kRi, "RI"}};
  std::string out;
  for (const auto& entry : kNames) {
    if ((lines & entry.bit) == 0) continue;
    if (!out.empty()) out += " ";
    out += entry.name;
  }
  return out;
}

std::string LineChangeWords(const Event& event) {
  std::string out;
  const std::string on = LineNames(event.changed & event.lines);
  const std::string off = LineNames(event.changed & ~event.lines);
  if (!on.empty()) out += on + " on";
  if (!off.empty()) out += std::string(out.empty() ? "" : ", ") + off + " off";
  return out.empty() ? "line state" : out;
}

std::string CountWords(const ErrorCounts& counts) {
  std::string out;
  const auto add = [&](std::uint32_t n, const char* what) {
    if (n == 0) return;
    if (!out.empty()) out += ", ";
    out += std::to_string(n) + " " + what;
  };
  add(counts.framing, "framing");
  add(counts.parity, "parity");
  add(counts.overrun, "overrun");
  add(counts.buffer_overrun, "buffer overrun");
  add(counts.breaks, "break");
  return "errors counted: " + (out.empty() ? "none" : out);
}

std::string GapWords(const Gap& gap) {
  std::string out = "gap: something may be missing here";
  switch (gap.reason) {
    case GapReason::kUnspecified:
      break;
    case GapReason::kQueueFull:
      out = "gap: the recorder could not keep up";
      break;
    case GapReason::kUnplugged:
      out = "gap: the port went away";
      break;
    case GapReason::kDamagedFile:
      out = "gap: the file is damaged here";
      break;
    case GapReason::kDiskFull:
      out = "gap: the disk was full";
      break;
  }
  if (gap.length > Duration::Zero()) out += ", " + FormatDuration(gap.length);
  if (gap.bytes_lost > 0) out += ", " + std::to_string(gap.bytes_lost) + " bytes lost";
  return out;
}

}  // namespace

std::string EventWords(const Event& event) {
  switch (event.kind) {
    case EventKind::kBytes:
    case EventKind::kBadByte:
      return "";
    case EventKind::kBreak:
      return "break";
    case EventKind::kLineChange:
      return LineChangeWords(event);
    case EventKind::kErrorCounts:
      return CountWords(event.counts);
    case EventKind::kPin:
      return "pin " + SafeName(event.name) + (event.level != 0 ? " high" : " low");
    case EventKind::kNote:
      return SafeName(event.bytes);
    case EventKind::kGap:
      return GapWords(event.gap);
  }
  return "an event of a kind that this version does not know";
}

}  // namespace witness
