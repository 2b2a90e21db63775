// IEEE 1364-2005 clause 18: four-state value change dump.
#include <array>
#include <map>
#include <queue>
#include <string>

#include "capture/base/text.h"
#include "capture/show/export/export.h"

namespace witness {
namespace {

// Kept small: many may wait.
struct Change {
  std::int64_t at = 0;
  std::uint64_t order = 0;
  bool is_byte = false;
  Side side = Side::kUnknown;  // of a byte
  char byte = 0;
  bool toggle = false;
  std::uint8_t lines = 0;  // of a change of lines
  std::uint8_t changed = 0;
  bool operator>(const Change& other) const {
    return at != other.at ? at > other.at : order > other.order;
  }
};

constexpr std::array<std::pair<std::uint32_t, const char*>, 6> kLines = {
    {{kRts, "RTS"}, {kCts, "CTS"}, {kDtr, "DTR"}, {kDsr, "DSR"}, {kDcd, "DCD"}, {kRi, "RI"}}};

std::string Octet(char c) {
  std::string out = "b";
  for (int bit = 7; bit >= 0; --bit)
    out += ((static_cast<unsigned char>(c) >> bit) & 1) != 0 ? '1' : '0';
  return out;
}

// Identifier codes: one printable character each (18.2.1). 'a' to 'c' the bytes of host, module
// and unknown, 'A' to 'C' their toggles, '0' to '5' the modem lines.
std::string ByteCode(Side side) {
  return std::string(1, static_cast<char>('a' + (static_cast<int>(side) + 2) % 3));
}
std::string ToggleCode(Side side) {
  return std::string(1, static_cast<char>('A' + (static_cast<int>(side) + 2) % 3));
}

std::string TextOf(const Change& change) {
  if (change.is_byte) {
    return Octet(change.byte) + " " + ByteCode(change.side) + "\n" + (change.toggle ? "1" : "0") +
           ToggleCode(change.side) + "\n";
  }
  std::string text;
  for (std::size_t i = 0; i < kLines.size(); ++i)
    if ((change.changed & kLines[i].first) != 0)
      text += ((change.lines & kLines[i].first) != 0 ? "1" : "0") + std::to_string(i) + "\n";
  return text;
}

}  // namespace

Status ExportValueChanges(CaptureReader& reader, const TextSink& out) {
  std::array<Duration, 3> character = {};
  for (const Tap& tap : reader.info().taps)
    character[static_cast<std::size_t>(tap.hears)] = tap.got.CharacterTime();

  std::string head =
      "$comment a capture of bytewitness: bytes as read by the host $end\n"
      "$timescale 1 ns $end\n$scope module line $end\n";
  for (const Side side : {Side::kHost, Side::kModule, Side::kUnknown}) {
    head += "$var wire 8 " + ByteCode(side) + " " + SideName(side) + " $end\n";
    head += "$var wire 1 " + ToggleCode(side) + " " + SideName(side) + "_toggle $end\n";
  }
  for (std::size_t i = 0; i < kLines.size(); ++i)
    head += "$var wire 1 " + std::to_string(i) + " " + kLines[i].second + " $end\n";
  head += "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n";
  for (const Side side : {Side::kHost, Side::kModule, Side::kUnknown})
    head += "bx " + ByteCode(side) + "\n0" + ToggleCode(side) + "\n";
  for (std::size_t i = 0; i < kLines.size(); ++i) head += "x" + std::to_string(i) + "\n";
  head += "$end\n";
  Status status = out(head);

  // Bytes are spread back over the time that they took, so changes wait until nothing earlier can
  // come; never before the byte of the same side before them.
  std::priority_queue<Change, std::vector<Change>, std::greater<>> waiting;
  std::array<std::int64_t, 3> last = {0, 0, 0};
  std::array<bool, 3> toggle = {false, false, false};
  std::uint64_t order = 0;
  std::int64_t written = 0;
  const auto give = [&](std::int64_t until) {
    while (status.ok() && !waiting.empty() && waiting.top().at <= until) {
      const Change& change = waiting.top();
      std::string text;
      if (change.at > written) {
        written = change.at;
        text = "#" + std::to_string(written) + "\n";
      }
      status = out(text + TextOf(change));
      waiting.pop();
    }
  };
  constexpr std::size_t kMostWaiting = 1u << 20;
  Event event;
  while (status.ok()) {
    const CaptureReader::Outcome outcome = reader.Next(event);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) break;
    const auto s = static_cast<std::size_t>(event.side);
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      const auto n = static_cast<std::int64_t>(event.bytes.size());
      for (std::int64_t i = 0; i < n; ++i) {
        std::int64_t at = (event.at - character[s] * (n - 1 - i)).ns();
        at = std::max(at, last[s]);
        last[s] = at;
        toggle[s] = !toggle[s];
        Change change;
        change.at = at;
        change.order = order++;
        change.is_byte = true;
        change.side = event.side;
        change.byte = event.bytes[static_cast<std::size_t>(i)];
        change.toggle = toggle[s];
        waiting.push(change);
        if (waiting.size() > kMostWaiting) give(waiting.top().at);
      }
    } else if (event.kind == EventKind::kLineChange) {
      Change change;
      change.at = event.at.ns();
      change.order = order++;
      change.lines = static_cast<std::uint8_t>(event.lines);
      change.changed = static_cast<std::uint8_t>(event.changed);
      if (!TextOf(change).empty()) waiting.push(change);
    }
    // The longest read that a later event may spread back over: a second.
    give((event.at - Duration::Seconds(1)).ns());
  }
  give(std::numeric_limits<std::int64_t>::max());
  return status;
}

}  // namespace witness
