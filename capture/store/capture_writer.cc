#include "capture/store/capture_writer.h"

#include <algorithm>

#include "capture/base/version.h"
#include "capture/store/background_sync.h"
#include "capture/store/block_builder.h"
#include "capture/store/compact.h"
#include "capture/store/folder.h"
#include "capture/store/frame_writer.h"

namespace witness {
namespace {

// How hard it is worth to compress, by how long the line took to fill the frame before: the less it
// says the more time there is. (At 12 Mbaud a frame takes 80 ms, at 921600 baud a second.)
constexpr Duration kSlowFrame = Duration::Milliseconds(500);
constexpr Duration kFastFrame = Duration::Milliseconds(20);
constexpr int kSlowLevel = 9;
constexpr int kMiddleLevel = 3;
constexpr int kFastLevel = -1;

int LevelFor(Duration frame) {
  return frame >= kSlowFrame ? kSlowLevel : frame >= kFastFrame ? kMiddleLevel : kFastLevel;
}

constexpr Duration kSyncAfter = Duration::Seconds(1);

class CaptureWriterImpl : public CaptureWriter {
 public:
  // `path`: where a file is to be compacted on close; empty: not at all.
  CaptureWriterImpl(std::unique_ptr<Sink> sink, const WriterOptions& options, std::string path)
      : sink_(std::move(sink)), options_(options), path_(std::move(path)), sync_(*sink_) {}

  Status Start(const CaptureInfo& info) {
    auto frames =
        FrameWriter::Create(*sink_, {FromALine() ? kSlowLevel : kFastLevel, kLiveWindowLog});
    if (!frames.ok()) return frames.status();
    frames_ = std::move(*frames);
    CaptureInfo written = info;
    if (written.tool.empty()) written.tool = std::string("bytewitness ") + kToolVersion;
    Status status = frames_->Put(kHeaderField, EncodeHeader(written, kFormatMajor, kFormatMinor));
    if (status.ok()) status = frames_->EndFrame();
    return status;
  }

  Status Append(const Event& event) override {
    if (!status_.ok()) return status_;
    if (closed_) return Status(Code::kInvalidArgument, "the capture is closed already");
    if (event.bytes.size() > kMaxEventBytes || event.name.size() > kMaxEventBytes) {
      return Status(Code::kInvalidArgument, "one event can hold at most 1 MiB");
    }
    Event timed = event;
    timed.at = std::max(event.at, last_);
    if (timed.at.ns() > kMaxTime) {
      return Status(Code::kInvalidArgument, "an event's time is later than a capture can hold");
    }
    if (timed.at >= flush_at_) {
      if (const Status status = Flush(); !status.ok()) return status;
    }
    if (flush_at_.never()) flush_at_ = timed.at + options_.flush_every;
    if (!block_.Add(timed)) {
      if (const Status status = WriteBlock(); !status.ok()) return status;
      if (!block_.Add(timed)) return Status(Code::kInvalidArgument, "an event of unknown kind");
    }
    last_ = timed.at;
    ++events_;
    if (event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte) {
      payload_bytes_ += event.bytes.size();
    }
    if (block_.raw_size() >= kLiveBlockBytes) return WriteBlock();
    return OkStatus();
  }

  Status Tick(Instant now) override {
    if (status_.ok()) status_ = sync_.status();
    if (!status_.ok() || closed_) return status_;
    if (now >= flush_at_) Flush().Ignore();
    if (status_.ok() && now >= sync_at_) RequestSync();
    return status_;
  }

  Instant NextTick() const override {
    return !status_.ok() || closed_ ? Instant::Never() : std::min(flush_at_, sync_at_);
  }

  Status Close(Instant end) override {
    if (closed_) return status_;
    closed_ = true;
    if (status_.ok() && !block_.empty()) WriteBlock().Ignore();
    if (status_.ok()) {
      TrailerFacts facts;
      facts.bytes = payload_bytes_;
      facts.end = std::min(std::max(end, last_), Instant::FromNanoseconds(kMaxTime));
      status_ = frames_->Finish(facts);
    }
    sync_.Stop();
    if (status_.ok()) status_ = sync_.status();
    const bool sync = status_.ok() && options_.durability != Durability::kRelaxed;
    if (sync) status_ = sink_->Sync();
    const Status closing = sink_->Close();
    if (status_.ok()) status_ = closing;
    if (!status_.ok() || path_.empty()) return status_;
    return CompactFile(path_, PackSettings::Everyday());
  }

  std::uint64_t events() const override { return events_; }
  std::uint64_t payload_bytes() const override { return payload_bytes_; }

 private:
  // Not out of memory or another file, where times say nothing of how fast events come.
  bool FromALine() const { return options_.flush_every <= Duration::Seconds(1); }

  // Into the compressor, which may keep some of it back until Flush or the frame's end.
  Status WriteBlock() {
    message_.clear();
    const std::uint64_t count = block_.events();
    IndexEntry place;
    place.first_event = events_ - count;
    place.base_ns = base_.ns();
    block_.Finish(seq_++, place.first_event, frames_->frame_bytes() > 0, message_);
    base_ = last_;
    status_ = frames_->PutBlock(message_, place, count);
    if (status_.ok() && frames_->frame_bytes() >= kLiveFrameBytes) {
      flush_at_ = Instant::Never();
      status_ = frames_->EndFrame();
      if (options_.durability != Durability::kRelaxed) RequestSync();
      if (FromALine()) frames_->SetLevel(LevelFor(last_ - frame_began_));
      frame_began_ = last_;
    }
    return status_;
  }

  // Into the sink.
  Status Flush() {
    if (!block_.empty()) WriteBlock().Ignore();
    if (status_.ok()) status_ = frames_->Flush();
    if (options_.durability == Durability::kStrict) {
      RequestSync();
    } else if (options_.durability == Durability::kNormal && sync_at_.never()) {
      sync_at_ = flush_at_ + kSyncAfter;
    }
    flush_at_ = Instant::Never();
    return status_;
  }

  void RequestSync() {
    sync_at_ = Instant::Never();
    if (status_.ok()) sync_.Request();
  }

  std::unique_ptr<Sink> sink_;
  WriterOptions options_;
  std::string path_;
  BackgroundSync sync_;
  std::unique_ptr<FrameWriter> frames_;
  BlockBuilder block_;
  Bytes message_;
  Status status_;
  bool closed_ = false;
  std::uint64_t seq_ = 0;
  std::uint64_t events_ = 0;
  std::uint64_t payload_bytes_ = 0;
  Instant frame_began_;
  Instant base_;  // of the block being built
  Instant last_;
  Instant flush_at_ = Instant::Never();  // Never: nothing waits to be flushed
  Instant sync_at_ = Instant::Never();   // likewise
};

Result<std::unique_ptr<CaptureWriter>> Started(std::unique_ptr<Sink> sink, const CaptureInfo& info,
                                               const WriterOptions& options, std::string path) {
  auto writer = std::make_unique<CaptureWriterImpl>(std::move(sink), options, std::move(path));
  if (const Status status = writer->Start(info); !status.ok()) return status;
  return std::unique_ptr<CaptureWriter>(std::move(writer));
}

}  // namespace

Result<std::unique_ptr<CaptureWriter>> CaptureWriter::Create(std::unique_ptr<Sink> sink,
                                                             const CaptureInfo& info,
                                                             const WriterOptions& options) {
  return Started(std::move(sink), info, options, "");
}

Result<std::unique_ptr<CaptureWriter>> CaptureWriter::Create(const std::string& path,
                                                             const CaptureInfo& info,
                                                             const WriterOptions& options) {
  auto sink = OpenFileSink(path, options.replace);
  if (!sink.ok()) return sink.status();
  auto writer =
      Started(std::move(*sink), info, options, options.compact_on_close ? path : std::string());
  if (writer.ok() && options.durability != Durability::kRelaxed) SyncFolderOf(path);
  return writer;
}

}  // namespace witness
