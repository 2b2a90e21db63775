#include "capture/store/packer.h"

#include <algorithm>

#include "capture/base/version.h"
#include "capture/store/block_builder.h"
#include "capture/store/frame_writer.h"

namespace witness {
namespace {

class PackerImpl : public Packer {
 public:
  PackerImpl(std::unique_ptr<FrameWriter> frames, const PackSettings& settings)
      : frames_(std::move(frames)), settings_(settings) {}

  Status Start(const CaptureInfo& info) {
    const Status status =
        frames_->Put(kHeaderField, EncodeHeader(info, kFormatMajor, kFormatMinor));
    return status.ok() ? frames_->EndFrame() : status;
  }

  Status Add(const Event& event) override {
    if (!block_.Add(event)) {
      if (const Status status = WriteBlock(); !status.ok()) return status;
      if (!block_.Add(event)) return Status(Code::kInvalidArgument, "an event of unknown kind");
    }
    last_ = event.at;
    ++events_;
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      bytes_ += event.bytes.size();
    }
    const bool full =
        block_.raw_size() >= settings_.block_bytes || block_.events() >= kMaxBlockEvents / 4;
    return full ? WriteBlock() : OkStatus();
  }

  Status Finish(Instant end) override {
    if (!block_.empty()) {
      if (const Status status = WriteBlock(); !status.ok()) return status;
    }
    TrailerFacts facts;
    facts.bytes = bytes_;
    facts.end = std::max(end, last_);
    return frames_->Finish(facts);
  }

 private:
  Status WriteBlock() {
    message_.clear();
    borders_.clear();
    IndexEntry place;
    const std::uint64_t count = block_.events();
    place.first_event = events_ - count;
    place.base_ns = base_.ns();
    block_.Finish(seq_++, place.first_event, false, message_, &borders_);
    base_ = last_;
    const Status status = frames_->PutBlock(message_, place, count, borders_);
    if (!status.ok() || frames_->frame_bytes() < settings_.frame_bytes) return status;
    return frames_->EndFrame();
  }

  std::unique_ptr<FrameWriter> frames_;
  const PackSettings settings_;
  BlockBuilder block_;
  Bytes message_;
  std::vector<std::size_t> borders_;
  std::uint64_t seq_ = 0;
  std::uint64_t events_ = 0;
  std::uint64_t bytes_ = 0;
  Instant base_;
  Instant last_;
};

}  // namespace

PackSettings PackSettings::Best() {
  PackSettings best;
  best.level = 19;
  best.window_log = kMaxWindowLog;
  best.frame_bytes = std::size_t{32} << 20;
  return best;
}

Result<std::unique_ptr<Packer>> Packer::Create(Sink& sink, const CaptureInfo& info,
                                               const PackSettings& settings) {
  auto frames = FrameWriter::Create(sink, {settings.level, settings.window_log});
  if (!frames.ok()) return frames.status();
  auto packer = std::make_unique<PackerImpl>(std::move(*frames), settings);
  if (const Status status = packer->Start(info); !status.ok()) return status;
  return std::unique_ptr<Packer>(std::move(packer));
}

Status Pack(CaptureReader& reader, const CaptureInfo& info, Sink& sink,
            const PackSettings& settings) {
  auto packer = Packer::Create(sink, info, settings);
  if (!packer.ok()) return packer.status();
  Event event;
  Status status;
  CaptureReader::Outcome outcome = CaptureReader::Outcome::kEnd;
  while (status.ok() && (outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
    status = (*packer)->Add(event);
  }
  if (status.ok() && outcome == CaptureReader::Outcome::kFailed) status = reader.status();
  if (status.ok()) status = (*packer)->Finish(reader.ending().end);
  if (status.ok()) status = sink.Sync();
  const Status closing = sink.Close();
  return status.ok() ? closing : status;
}

}  // namespace witness
