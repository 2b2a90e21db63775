#include "capture/record/live_view.h"

#include <utility>

#include "capture/base/text.h"

namespace witness {
namespace {

// Our two side colours (256-colour palette): a blue and an ochre, told apart also without red or
// green vision. The word comes first; colour only helps.
const char* ColourOf(Side side) {
  switch (side) {
    case Side::kHost:
      return "\x1b[38;5;33m";
    case Side::kModule:
      return "\x1b[38;5;172m";
    case Side::kUnknown:
      break;
  }
  return "";
}

std::string Padded(std::string text, std::size_t width, bool right) {
  const std::string fill(text.size() < width ? width - text.size() : 0, ' ');
  return right ? fill + text : text + fill;
}

const char* GapWords(GapReason reason) {
  switch (reason) {
    case GapReason::kQueueFull:
      return "gap: the recorder could not keep up";
    case GapReason::kUnplugged:
      return "gap: the port is gone";
    case GapReason::kDamagedFile:
      return "gap: the file is damaged here";
    case GapReason::kDiskFull:
      return "gap: the disk is full";
    case GapReason::kUnspecified:
      break;
  }
  return "gap";
}

std::string LineNames(std::uint32_t lines, std::uint32_t changed) {
  static constexpr std::pair<LineBit, const char*> kNames[] = {
      {kRts, "RTS"}, {kCts, "CTS"}, {kDtr, "DTR"}, {kDsr, "DSR"}, {kDcd, "DCD"}, {kRi, "RI"}};
  std::string out;
  for (const auto& [bit, name] : kNames) {
    if (!(changed & bit)) continue;
    if (!out.empty()) out += ", ";
    out += name;
    out += lines & bit ? " asserted" : " released";
  }
  return out;
}

}  // namespace

LiveView::LiveView(bool colour, std::function<void(const std::string&)> print, bool bytes)
    : colour_(colour), bytes_shown_(bytes), print_(std::move(print)) {}

void LiveView::Restart() {
  Flush();
  any_ = false;
}

void LiveView::OnEvent(const Event& event) {
  if (!bytes_shown_ && event.kind == EventKind::kBytes) return;
  if (bytes_shown_ && any_ && event.at - last_ >= kSilenceShown) {
    Flush();
    print_("──── " + FormatDuration(event.at - last_) + " of silence ────");
  }
  any_ = true;
  if (event.kind == EventKind::kBytes) {
    if (!waiting_.empty() && (event.side != side_ || event.at - last_ >= kQuiet)) Flush();
    for (const char c : event.bytes) {
      if (waiting_.empty()) {
        side_ = event.side;
        from_ = event.at;
      }
      waiting_ += c;
      if (c == '\n' || waiting_.size() >= kLongest) {
        const bool whole = c == '\n';
        Emit(whole ? SafeTextWithEnding(waiting_) : SafeText(waiting_), side_, from_);
        waiting_.clear();
      }
    }
    last_ = event.at;
    return;
  }
  Flush();
  last_ = event.at;
  switch (event.kind) {
    case EventKind::kBytes:
      break;
    case EventKind::kBadByte:
      Emit("bad byte (parity or framing): " + SafeText(event.bytes), event.side, event.at);
      break;
    case EventKind::kBreak:
      Emit("break", event.side, event.at);
      break;
    case EventKind::kLineChange:
      Emit(LineNames(event.lines, event.changed), event.side, event.at);
      break;
    case EventKind::kErrorCounts:
      Emit("driver counted: framing " + std::to_string(event.counts.framing) + ", parity " +
               std::to_string(event.counts.parity) + ", overrun " +
               std::to_string(event.counts.overrun) + ", buffer " +
               std::to_string(event.counts.buffer_overrun) + ", breaks " +
               std::to_string(event.counts.breaks),
           event.side, event.at);
      break;
    case EventKind::kPin:
      Emit("pin " + SafeName(event.name) + " = " + (event.level ? "1" : "0"), event.side, event.at);
      break;
    case EventKind::kNote:
      Emit("note: " + SafeName(event.bytes), Side::kUnknown, event.at);
      break;
    case EventKind::kGap:
      Emit(GapWords(event.gap.reason), event.side, event.at);
      break;
  }
}

void LiveView::Tick(Instant now) {
  if (!waiting_.empty() && now - last_ >= kQuiet) Flush();
}

Instant LiveView::NextTick() const { return waiting_.empty() ? Instant::Never() : last_ + kQuiet; }

void LiveView::Flush() {
  if (waiting_.empty()) return;
  Emit(SafeTextWithEnding(waiting_), side_, from_);
  waiting_.clear();
}

void LiveView::Emit(const std::string& text, Side side, Instant at) {
  std::string who = side == Side::kUnknown ? "" : SideName(side);
  who = Padded(who, 6, false);
  if (colour_ && side != Side::kUnknown) who = ColourOf(side) + who + "\x1b[0m";
  print_(Padded(FormatInstant(at), 12, true) + "  " + who + "  " + text);
}

}  // namespace witness
