// Any bytes as JSON lines; what was imported is exported and imported again without a difference.
#include <sstream>

#include "capture/show/export/export.h"
#include "capture/show/import/jsonl.h"
#include "capture/store/capture_writer.h"
#include "tests/fuzz/fuzz.h"

namespace witness::fuzz {
namespace {

// The capture that lines make; empty if they are refused.
Bytes Import(const Bytes& lines) {
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), CaptureInfo{});
  Must(writer.ok(), "memory can be written");
  std::istringstream in(lines);
  Instant last;
  const Status status = ImportJsonLines(in, [&](const Event& event) {
    last = event.at;
    return (*writer)->Append(event);
  });
  if (!status.ok() || !(*writer)->Close(last).ok()) return {};
  return file;
}

Bytes Export(const Bytes& file, Status (*how)(CaptureReader&, const TextSink&)) {
  auto reader = CaptureReader::OpenMemory(file);
  Must(reader.ok(), "what was written can be read");
  Bytes out;
  const Status status = how(**reader, [&](std::string_view text) {
    out += text;
    return OkStatus();
  });
  Must(status.ok(), "what was written can be exported");
  Must((*reader)->ending().closed_cleanly, "what was written is whole");
  return out;
}

}  // namespace
}  // namespace witness::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace witness;
  const Bytes file = fuzz::Import(Bytes(fuzz::View(data, size)));
  if (file.empty()) return 0;
  const Bytes lines = fuzz::Export(file, ExportJsonLines);
  const Bytes again = fuzz::Import(lines);
  fuzz::Must(!again.empty(), "an export can be imported");
  fuzz::Must(fuzz::Export(again, ExportJsonLines) == lines, "and exports the same");
  fuzz::Export(file, ExportCsv);
  fuzz::Export(file, ExportValueChanges);
  return 0;
}
