// Any bytes as a capture file: read, jumped into, verified.
#include "capture/store/capture_reader.h"
#include "capture/store/verify.h"
#include "tests/fuzz/capture_input.h"

namespace witness::fuzz {
namespace {

// Returns how many events there were.
std::uint64_t Read(ByteView file, Instant from, Instant to) {
  ReaderOptions options;
  options.from = from;
  options.to = to;
  const auto reader = CaptureReader::OpenMemory(file, options);
  if (!reader.ok()) return 0;
  Event event;
  Instant last;
  std::uint64_t count = 0;
  std::uint64_t bytes = 0;
  CaptureReader::Outcome outcome;
  while ((outcome = (*reader)->Next(event)) == CaptureReader::Outcome::kEvent) {
    Must(event.at >= last, "times do not go back");
    const bool put_in =
        event.kind == EventKind::kGap && event.gap.reason == GapReason::kDamagedFile;
    Must(put_in || (event.at >= from && event.at < to), "only what was asked for is given");
    last = event.at;
    ++count;
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      bytes += event.bytes.size();
    }
  }
  Must(outcome == CaptureReader::Outcome::kEnd, "memory can always be read");
  const CaptureEnding& ending = (*reader)->ending();
  Must(ending.events == count && ending.bytes == bytes, "the ending counts what was given");
  Must(!(ending.damaged && ending.closed_cleanly), "damaged and closed cleanly are two things");
  return count;
}

void ReadAll(ByteView file) {
  const std::uint64_t all = Read(file, Instant(), Instant::Never());
  const auto found = VerifyMemory(file);
  if (found.ok()) {
    Must(found->ending.events == all, "verify reads what a reader reads");
    Must(!found->sound() || !found->ending.damaged, "what is sound is not damaged");
    const Instant middle = Instant::FromNanoseconds(found->ending.end.ns() / 2);
    Read(file, middle, Instant::Never());
    Read(file, middle, middle + Duration::Seconds(1));
  }
}

}  // namespace
}  // namespace witness::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const witness::ByteView input = witness::fuzz::View(data, size);
  witness::fuzz::ReadAll(input);
  witness::fuzz::ReadAll(witness::fuzz::FileOfFields(input));
  return 0;
}
