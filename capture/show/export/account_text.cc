#include "capture/show/account.h"
#include "capture/show/export/export.h"

namespace witness {

Status ExportAccount(CaptureReader& reader, bool hex, const TextSink& out) {
  Status status;
  AccountOptions options;
  options.hex = hex;
  Account account(options, [&](std::string_view line) {
    if (status.ok()) status = out(line);
  });
  Event event;
  while (status.ok()) {
    const CaptureReader::Outcome outcome = reader.Next(event);
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    if (outcome == CaptureReader::Outcome::kEnd) {
      account.Finish();
      break;
    }
    account.Take(event);
  }
  return status;
}

}  // namespace witness
