#include "capture/show/account.h"

#include <cstdio>
#include <utility>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr std::size_t kLongestLine = 160;  // bytes; then the line is broken
constexpr std::size_t kHexColumns = 16;
constexpr const char* kReset = "\x1b[0m";

// Colours that stay apart with the common kinds of colour blindness: blue and orange.
const char* ColorOf(Side side) {
  switch (side) {
    case Side::kHost:
      return "\x1b[38;5;33m";
    case Side::kModule:
      return "\x1b[38;5;208m";
    case Side::kUnknown:
      break;
  }
  return "";
}

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
      out = "gap: the port was away";
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

Account::Account(const AccountOptions& options, Sink sink)
    : options_(options), sink_(std::move(sink)) {}

void Account::Row(Instant at, Side side, std::string_view what, bool first) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-7s ", first ? FormatInstant(at).c_str() : "",
                first ? SideName(side) : "");
  std::string line = head;
  if (options_.color) line += ColorOf(side);
  line += what;
  if (options_.color && *ColorOf(side) != 0) line += kReset;
  line += "\n";
  sink_(line);
}

void Account::Say(Instant at, std::string_view who, std::string_view what) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-7s ", FormatInstant(at).c_str(),
                std::string(who).c_str());
  sink_(std::string(head) + "(" + std::string(what) + ")\n");
}

void Account::TextLine(ByteView bytes, bool ended) {
  std::string what = ended ? SafeTextWithEnding(bytes) : SafeText(bytes);
  if (bad_.find('x') != std::string::npos) what += "  (with bad bytes)";
  Row(from_, side_, what, true);
}

void Account::HexLines(ByteView bytes) {
  for (std::size_t at = 0; at < bytes.size(); at += kHexColumns) {
    const ByteView part = bytes.substr(at, kHexColumns);
    std::string what;
    for (std::size_t i = 0; i < kHexColumns; ++i) {
      if (i < part.size())
        what += ToHex(part.substr(i, 1)) + (bad_[at + i] == 'x' ? "!" : " ");
      else
        what += "   ";
    }
    what += " " + SafeText(part);
    Row(from_, side_, what, at == 0);
  }
}

void Account::Flush(bool more_may_follow) {
  if (waiting_.empty()) return;
  if (options_.hex)
    HexLines(waiting_);
  else
    TextLine(waiting_, !more_may_follow);
  waiting_.clear();
  bad_.clear();
}

void Account::Take(const Event& event) {
  const bool has_bytes = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  if (!has_bytes) {
    Flush(false);
    const char* who = event.side == Side::kUnknown ? "" : SideName(event.side);
    switch (event.kind) {
      case EventKind::kBreak:
        Say(event.at, who, "break");
        break;
      case EventKind::kLineChange:
        Say(event.at, who, LineChangeWords(event));
        break;
      case EventKind::kErrorCounts:
        Say(event.at, who, CountWords(event.counts));
        break;
      case EventKind::kPin:
        Say(event.at, who, "pin " + SafeName(event.name) + (event.level != 0 ? " high" : " low"));
        break;
      case EventKind::kNote:
        Say(event.at, "note", SafeName(event.bytes));
        break;
      case EventKind::kGap:
        Say(event.at, who, GapWords(event.gap));
        break;
      default:
        Say(event.at, who, "an event of a kind that this version does not know");
        break;
    }
    return;
  }
  if (event.bytes.empty()) return;
  if (anybody_ && event.at - last_ > options_.silence) {
    Flush(false);
    sink_("                ──────── " + FormatDuration(event.at - last_) + " ────────\n");
  }
  if (!waiting_.empty() && side_ != event.side) Flush(false);
  anybody_ = true;
  last_ = event.at;
  side_ = event.side;
  const std::size_t longest = options_.hex ? 64 * kHexColumns : kLongestLine;
  for (const char c : event.bytes) {
    if (!waiting_.empty() && !options_.hex) {
      // A line is over behind LF, and behind CR if no LF follows; leading endings wait for text.
      const char before = waiting_.back();
      const bool ended = before == '\n' || (before == '\r' && c != '\n');
      const bool has_text = waiting_.find_first_not_of("\r\n") != Bytes::npos;
      if (ended && has_text)
        Flush(false);
      else if (waiting_.size() >= longest)
        Flush(true);
    } else if (waiting_.size() >= longest) {
      Flush(true);
    }
    if (waiting_.empty()) from_ = event.at;
    waiting_ += c;
    bad_ += event.kind == EventKind::kBadByte ? 'x' : '.';
  }
}

void Account::Tick(Instant now) {
  if (!waiting_.empty() && now >= NextTick()) Flush(false);
}

Instant Account::NextTick() const {
  return waiting_.empty() ? Instant::Never() : last_ + options_.silence;
}

void Account::Finish() { Flush(false); }

}  // namespace witness
