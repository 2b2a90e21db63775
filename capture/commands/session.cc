#include "capture/commands/session.h"

namespace witness {

Result<std::unique_ptr<Session>> Session::Open(const std::string& port_name,
                                               const LineSettings& settings,
                                               const OpenOptions& open, Origin origin,
                                               const std::string& capture_path, bool replace) {
  std::unique_ptr<Session> out(new Session());
  Result<OpenedPort> opened = OpenAndSet(port_name, settings, open);
  if (!opened.ok()) return opened.status();
  out->opened_ = std::move(*opened);
  out->clock_ = std::make_unique<MonotonicClock>();
  out->driver_ = Driver::Create(*out->clock_);
  // Kept for the conversation, which says what it does with it.
  out->driver_->OnInterrupt({});
  out->capture_path_ = capture_path;
  WriterOptions options;
  options.replace = replace;
  const CaptureInfo info = DescribeCapture(
      origin, {DescribeTap(*out->opened_.port, Side::kModule, settings, out->opened_.got)});
  Result<std::unique_ptr<CaptureWriter>> writer =
      CaptureWriter::Create(capture_path, info, options);
  if (!writer.ok()) return writer.status();
  out->writer_ = std::move(*writer);
  out->recorder_ = std::make_unique<Recorder>(*out->driver_, *out->writer_, out->clock_->Now());
  // Where bytes cross at once, a command has left as soon as it was sent.
  LineSettings got = out->opened_.got;
  if (!out->opened_.report.has_rate) got.baud = 0;
  out->conversation_ = TalkThrough(*out->driver_, *out->recorder_, *out->opened_.port, got);
  return out;
}

Session::~Session() = default;

Status Session::Close(const Status& talked) {
  const Status written = recorder_->Close();
  conversation_.reset();
  const Status closed = opened_.port ? opened_.port->Close() : OkStatus();
  if (talked.code() == Code::kInterrupted && !written.ok()) return written;
  if (!talked.ok()) return talked;
  if (!written.ok()) return written;
  return closed;
}

}  // namespace witness
