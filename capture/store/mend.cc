#include "capture/store/mend.h"

#include <unistd.h>

namespace witness {
namespace {

Status Copy(CaptureReader& reader, Sink& sink, const PackSettings& settings, MendReport& report) {
  CaptureInfo info = reader.info();
  info.origin = Origin::kMend;
  auto packer = Packer::Create(sink, info, settings);
  if (!packer.ok()) return packer.status();
  Event event;
  Event last;
  CaptureReader::Outcome outcome = CaptureReader::Outcome::kEvent;
  while ((outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
    const bool gap = event.kind == EventKind::kGap && event.gap.reason == GapReason::kDamagedFile;
    if (gap) {
      ++report.gaps;
      report.events_lost += event.gap.events_lost;
    } else {
      ++report.events;
    }
    last.at = event.at;
    if (const Status status = (*packer)->Add(event); !status.ok()) return status;
  }
  if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
  report.source = reader.ending();
  if (!report.source.closed_cleanly && !report.source.damaged) {
    // Cut off: what was said after the last flush is not there.
    Event cut;
    cut.at = last.at;
    cut.kind = EventKind::kGap;
    cut.gap.reason = GapReason::kDamagedFile;
    ++report.gaps;
    if (const Status status = (*packer)->Add(cut); !status.ok()) return status;
  }
  return (*packer)->Finish(report.source.end);
}

}  // namespace

Result<MendReport> Mend(CaptureReader& source, Sink& target, const PackSettings& settings) {
  MendReport report;
  if (const Status status = Copy(source, target, settings, report); !status.ok()) return status;
  return report;
}

Result<MendReport> MendFile(const std::string& source, const std::string& target) {
  auto reader = CaptureReader::Open(source);
  if (!reader.ok()) return reader.status();
  auto sink = OpenFileSink(target, false);
  if (!sink.ok()) return sink.status();
  const auto report = Mend(**reader, **sink);
  Status status = report.status();
  if (status.ok()) status = (*sink)->Sync();
  const Status closing = (*sink)->Close();
  if (status.ok()) status = closing;
  if (!status.ok()) {
    ::unlink(target.c_str());
    return status;
  }
  return report;
}

}  // namespace witness
