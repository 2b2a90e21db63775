// Any bytes as a capture file to be mended: what comes out is whole and holds what a reader gave.
#include "capture/store/mend.h"
#include "capture/store/verify.h"
#include "tests/fuzz/capture_input.h"

namespace witness::fuzz {
namespace {

void MendOne(ByteView file) {
  auto reader = CaptureReader::OpenMemory(file);
  if (!reader.ok()) return;
  Bytes mended;
  const auto sink = OpenMemorySink(mended);
  // As quick as can be: it is not the compression that is tried.
  PackSettings settings;
  settings.level = 1;
  settings.window_log = 17;
  const auto report = Mend(**reader, *sink, settings);
  Must(report.ok(), "whatever can be read can be mended");
  const auto found = VerifyMemory(mended);
  Must(found.ok() && found->sound(), "what was mended is sound");

  auto old_reader = CaptureReader::OpenMemory(file);
  auto new_reader = CaptureReader::OpenMemory(mended);
  Event was;
  Event is;
  std::uint64_t gaps = 0;
  std::uint64_t events = 0;
  while ((*old_reader)->Next(was) == CaptureReader::Outcome::kEvent) {
    Must((*new_reader)->Next(is) == CaptureReader::Outcome::kEvent, "nothing is left out");
    Must(was == is, "nothing is changed");
    ++(was.kind == EventKind::kGap && was.gap.reason == GapReason::kDamagedFile ? gaps : events);
  }
  while ((*new_reader)->Next(is) == CaptureReader::Outcome::kEvent) {
    Must(is.kind == EventKind::kGap, "only a gap is added");
    ++gaps;
  }
  Must(report->events == events && report->gaps == gaps, "the report counts what was written");
}

}  // namespace
}  // namespace witness::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const witness::ByteView input = witness::fuzz::View(data, size);
  witness::fuzz::MendOne(input);
  witness::fuzz::MendOne(witness::fuzz::FileOfFields(input));
  return 0;
}
