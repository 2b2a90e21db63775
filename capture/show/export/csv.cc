#include "capture/base/text.h"
#include "capture/show/export/export.h"

namespace witness {
namespace {

const char* KindName(EventKind kind) {
  switch (kind) {
    case EventKind::kBytes:
      return "bytes";
    case EventKind::kBadByte:
      return "bad-byte";
    case EventKind::kBreak:
      return "break";
    case EventKind::kLineChange:
      return "lines";
    case EventKind::kErrorCounts:
      return "errors";
    case EventKind::kPin:
      return "pin";
    case EventKind::kNote:
      return "note";
    case EventKind::kGap:
      return "gap";
  }
  return "other";
}

// RFC 4180 2.6, 2.7; a leading sign that a spreadsheet would take for a formula is kept as text.
std::string Field(std::string_view text) {
  std::string safe = SafeName(text);
  if (!safe.empty() && std::string_view("=+-@").find(safe.front()) != std::string_view::npos)
    safe.insert(safe.begin(), '\'');
  std::string out = "\"";
  for (const char c : safe) {
    if (c == '"') out += '"';
    out += c;
  }
  return out + "\"";
}

std::string Detail(const Event& event) {
  switch (event.kind) {
    case EventKind::kNote:
      return Field(event.bytes);
    case EventKind::kPin:
      return Field(std::string(event.name) + (event.level != 0 ? " 1" : " 0"));
    case EventKind::kLineChange:
      return "asserted " + std::to_string(event.lines) + " changed " +
             std::to_string(event.changed);
    case EventKind::kErrorCounts:
      return "framing " + std::to_string(event.counts.framing) + " parity " +
             std::to_string(event.counts.parity) + " overrun " +
             std::to_string(event.counts.overrun) + " buffer overrun " +
             std::to_string(event.counts.buffer_overrun) + " breaks " +
             std::to_string(event.counts.breaks);
    case EventKind::kGap:
      return "reason " + std::to_string(static_cast<int>(event.gap.reason)) + " length_ns " +
             std::to_string(event.gap.length.ns()) + " bytes lost " +
             std::to_string(event.gap.bytes_lost);
    default:
      return "";
  }
}

}  // namespace

Status ExportCsv(CaptureReader& reader, const TextSink& out) {
  Status status = out("at_ns,kind,side,hex,detail\n");
  Event event;
  while (status.ok()) {
    const CaptureReader::Outcome outcome = reader.Next(event);
    if (outcome == CaptureReader::Outcome::kEnd) return OkStatus();
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    const bool bytes = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
    status = out(std::to_string(event.at.ns()) + "," + KindName(event.kind) + "," +
                 SideName(event.side) + "," + (bytes ? ToHex(event.bytes) : "") + "," +
                 Detail(event) + "\n");
  }
  return status;
}

}  // namespace witness
