#include <nlohmann/json.hpp>

#include "capture/show/export/export.h"

namespace witness {
namespace {

using nlohmann::json;

std::string Quoted(std::string_view text) {
  return json(std::string(text)).dump(-1, ' ', true, json::error_handler_t::replace);
}

void Number(std::string& line, const char* name, std::uint64_t value) {
  if (value != 0) line += std::string(",\"") + name + "\":" + std::to_string(value);
}

std::string LineOf(const Event& event) {
  std::string line = "{\"at_ns\":" + std::to_string(event.at.ns());
  const auto kind = [&](const char* name) { line += std::string(",\"kind\":\"") + name + "\""; };
  if (event.kind == EventKind::kBadByte) kind("bad-byte");
  if (event.kind == EventKind::kBreak) kind("break");
  if (event.kind == EventKind::kLineChange) kind("lines");
  if (event.kind == EventKind::kErrorCounts) kind("errors");
  if (event.kind == EventKind::kPin) kind("pin");
  if (event.kind == EventKind::kNote) kind("note");
  if (event.kind == EventKind::kGap) kind("gap");
  line += std::string(",\"side\":\"") + SideName(event.side) + "\"";
  switch (event.kind) {
    case EventKind::kBytes:
    case EventKind::kBadByte:
      line += ",\"hex\":\"" + ToHex(event.bytes) + "\"";
      break;
    case EventKind::kNote:
      // Notes are UTF-8; one that is not goes as hexadecimal and comes back the same.
      if (json::parse(Quoted(event.bytes), nullptr, false).get<std::string>() == event.bytes)
        line += ",\"text\":" + Quoted(event.bytes);
      else
        line += ",\"hex\":\"" + ToHex(event.bytes) + "\"";
      break;
    case EventKind::kLineChange:
      Number(line, "asserted", event.lines);
      Number(line, "changed", event.changed);
      break;
    case EventKind::kErrorCounts:
      Number(line, "framing", event.counts.framing);
      Number(line, "parity", event.counts.parity);
      Number(line, "overrun", event.counts.overrun);
      Number(line, "buffer_overrun", event.counts.buffer_overrun);
      Number(line, "breaks", event.counts.breaks);
      break;
    case EventKind::kPin:
      line += ",\"name\":" + Quoted(event.name);
      Number(line, "level", event.level);
      break;
    case EventKind::kGap:
      Number(line, "reason", static_cast<std::uint64_t>(event.gap.reason));
      Number(line, "length_ns", static_cast<std::uint64_t>(event.gap.length.ns()));
      Number(line, "bytes_lost", event.gap.bytes_lost);
      Number(line, "events_lost", event.gap.events_lost);
      break;
    default:
      break;
  }
  return line + "}\n";
}

}  // namespace

Status ExportJsonLines(CaptureReader& reader, const TextSink& out) {
  Event event;
  for (;;) {
    switch (reader.Next(event)) {
      case CaptureReader::Outcome::kEnd:
        return OkStatus();
      case CaptureReader::Outcome::kFailed:
        return reader.status();
      case CaptureReader::Outcome::kEvent: {
        const Status status = out(LineOf(event));
        if (!status.ok()) return status;
        break;
      }
    }
  }
}

}  // namespace witness
