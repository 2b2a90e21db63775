// Any text as a part: refused with a place, or written and read back the same.
#include "replay/part/part_text.h"
#include "tests/fuzz/fuzz.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using witness::fuzz::Must;
  const witness::ByteView text = witness::fuzz::View(data, size);
  if (const auto part = trial::ParsePart(text); part.ok()) {
    const std::string written = trial::FormatPart(*part);
    const auto again = trial::ParsePart(written);
    Must(again.ok(), "a part that was written can be read");
    Must(trial::FormatPart(*again) == written, "and is written the same");
    const auto message = trial::DeserializePart(trial::SerializePart(*part));
    Must(message.ok() && trial::FormatPart(*message) == written, "also as a message");
  } else {
    Must(!part.status().message().empty(), "a refusal says why");
  }
  if (const auto part = trial::DeserializePart(text); part.ok()) {
    const auto again = trial::DeserializePart(trial::SerializePart(*part));
    Must(again.ok() && trial::FormatPart(*again) == trial::FormatPart(*part),
         "a part from a message goes into one again");
  }
  return 0;
}
