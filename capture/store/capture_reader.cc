#include "capture/store/capture_reader.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "capture/base/text.h"
#include "capture/store/block_decoder.h"
#include "capture/store/byte_source.h"
#include "capture/store/frame_finder.h"
#include "capture/store/frame_scanner.h"
#include "capture/store/messages.h"
#include "capture/store/read_listener.h"
#include "capture/store/scan_ahead.h"

namespace witness {
namespace {

// So much of a file is left to read that a thread to decompress it pays.
constexpr std::uint64_t kWorthAThread = std::uint64_t{256} << 10;

class CaptureReaderImpl : public CaptureReader {
 public:
  CaptureReaderImpl(std::unique_ptr<ByteSource> source, const ReaderOptions& options)
      : source_(std::move(source)),
        options_(options),
        scanner_(FrameScanner::Create(*source_)),
        items_(scanner_.get()) {}

  Status Start() {
    const auto head = source_->View(0, 4);
    if (!head.ok()) return head.status();
    if (head->empty()) return Status(Code::kDamaged, "the file is empty; it holds no capture");
    bool found = false;
    while (!found) {
      const ScanItem item = scanner_->Next();
      switch (item.kind) {
        case ScanItem::Kind::kField:
          if (const Status status = StartWith(item, found); !status.ok()) return status;
          break;
        case ScanItem::Kind::kDamage:
          NoteDamage(item.frame_offset, item.what);
          break;
        case ScanItem::Kind::kFrameEnd:
        case ScanItem::Kind::kSkipped:
        case ScanItem::Kind::kMade:
          break;
        case ScanItem::Kind::kCut:
          return Status(Code::kDamaged, damaged_ ? NotACapture() : "cut off inside its header");
        case ScanItem::Kind::kEnd:
          return Status(Code::kDamaged, NotACapture());
        case ScanItem::Kind::kFailed:
          return Status(Code::kIo, item.what);
      }
    }
    if (options_.from > Instant() && !damaged_) Jump();
    const auto size = source_->Size();
    // What is to end early is not worth it: it may end soon.
    long_way_ =
        size.ok() && options_.to.never() && *size - std::min(*size, jumped_to_) > kWorthAThread;
    return OkStatus();
  }

  const CaptureInfo& info() const override { return info_; }
  const CaptureEnding& ending() const override { return ending_; }
  const Status& status() const override { return status_; }

 protected:
  Outcome ReadBatch(EventBatch& batch) override {
    while (true) {
      if (pending_gap_) {
        gap_ = *std::exchange(pending_gap_, std::nullopt);
        gap_brief_ = {gap_.at, nullptr, 0, gap_.kind, gap_.side};
        batch = {expected_event_, {&gap_brief_, 1}, &gap_};
        ++ending_.events;
        return Outcome::kEvent;
      }
      if (state_ == State::kGapBeforeBlock) BeginBlock();
      if (state_ == State::kInBlock) {
        // A block that ends before what is wanted begins need not be taken apart.
        while (decoder_.last() >= options_.from && NextOfBlock(batch)) {
          if (all_wanted_ || TakeWanted(batch)) return Outcome::kEvent;
          if (state_ == State::kBeyond) break;
        }
        if (state_ == State::kInBlock) EndBlock();
      }
      if (state_ == State::kBeyond) {
        ending_.complete = false;
        return Finish(true);
      }
      if (state_ == State::kEnd) return Outcome::kEnd;
      if (state_ == State::kFailed) return Outcome::kFailed;
      if (!TakeItem()) return state_ == State::kFailed ? Outcome::kFailed : Finish(false);
    }
  }

 private:
  enum class State {
    kBetween,
    kGapBeforeBlock,
    kInBlock,
    kBeyond,  // what is not wanted any more was reached
    kEnd,
    kFailed
  };

  bool NextOfBlock(EventBatch& batch) {
    while (decoder_.WantsMore()) decoder_.AdoptMore(items_->Next().made);
    return decoder_.NextBatch(batch);
  }

  // Leaves in `batch` what lies within from and to. False: nothing.
  bool TakeWanted(EventBatch& batch) {
    const auto later = [](const BriefEvent& e, Instant t) { return e.at < t; };
    const auto events = batch.events;
    const auto begin = std::lower_bound(events.begin(), events.end(), options_.from, later);
    const auto end = std::lower_bound(begin, events.end(), options_.to, later);
    if (end != events.end()) {
      state_ = State::kBeyond;
      last_ = end->at;
    }
    batch.first += static_cast<std::uint64_t>(begin - events.begin());
    batch.events = {begin, end};
    ending_.events += batch.events.size();
    for (const BriefEvent& event : batch.events) {
      if (event.kind <= EventKind::kBadByte) ending_.bytes += event.size;
    }
    return !batch.events.empty();
  }

  void BeginBlock() {
    state_ = State::kInBlock;
    all_wanted_ = decoder_.base() >= options_.from && decoder_.last() < options_.to;
  }

  void EndBlock() {
    if (all_wanted_) {
      ending_.events += decoder_.events() - decoder_.passed_over();
      ending_.bytes += decoder_.payload_bytes();
    }
    all_wanted_ = false;
    // Events of foreign kinds may stand at the end.
    last_ = decoder_.last();
    expected_event_ = decoder_.first_event() + decoder_.events();
    expected_seq_ = decoder_.seq() + 1;
    payload_ += decoder_.payload_bytes();
    ++blocks_;
    state_ = State::kBetween;
  }

  // False: there are no more, or there was a failure (state_).
  bool TakeItem() {
    // What was read of the frame that was jumped to lies in the scanner's memory until it goes on.
    if (long_way_ && !first_item_) ScanOnAThread();
    const ScanItem item = first_item_ ? *std::exchange(first_item_, std::nullopt) : items_->Next();
    frame_offset_ = item.frame_offset;
    switch (item.kind) {
      case ScanItem::Kind::kField:
        TakeField(item);
        return true;
      case ScanItem::Kind::kFrameEnd:
      case ScanItem::Kind::kMade:  // of a block that is not wanted
        return true;
      case ScanItem::Kind::kSkipped:
        CheckIndex(item);
        return true;
      case ScanItem::Kind::kDamage:
        NoteDamage(item.frame_offset, item.what);
        return true;
      case ScanItem::Kind::kFailed:
        state_ = State::kFailed;
        status_ = Status(Code::kIo, item.what);
        return false;
      case ScanItem::Kind::kCut:
      case ScanItem::Kind::kEnd:
        return GapAtEnd();
    }
    return false;
  }

  std::string NotACapture() const {
    return "not a capture, or nothing of it can be read (" +
           (what_.empty() ? std::string("no header in it") : what_) + ")";
  }

  void NoteDamage(std::uint64_t offset, const std::string& what) {
    damaged_ = true;
    if (options_.listener != nullptr) options_.listener->OnDamage(offset, what, last_);
    if (what_.empty()) what_ = what + " at byte " + std::to_string(offset);
  }

  // The first field of the file should be the header; if it is lost, a block will do.
  Status StartWith(const ScanItem& item, bool& found) {
    if (item.field == kHeaderField) {
      const Status status = DecodeHeader(item.content, info_);
      if (status.code() == Code::kUnsupported) return status;
      if (!status.ok()) NoteDamage(item.frame_offset, status.message());
      if (options_.heard_at)
        for (Tap& tap : info_.taps) tap.asked = tap.got = *options_.heard_at;
      found = status.ok();
      return OkStatus();
    }
    if (item.field != kBlockField) return OkStatus();
    if (!decoder_.Open(item.content).ok()) {
      NoteDamage(item.frame_offset, "a block is damaged");
      return OkStatus();
    }
    NoteDamage(0, "the header is missing");
    found = true;
    held_ = Bytes(item.content);  // the view ends with the next call to the scanner
    if (decoder_.Open(*held_).ok()) AcceptBlock();
    return OkStatus();
  }

  void TakeField(const ScanItem& item) {
    if (item.field == kBlockField) {
      if (trailer_) NoteDamage(item.frame_offset, "a block stands behind the trailer");
      if (item.facts != nullptr) {
        decoder_.Adopt(*item.facts);
      } else if (const Status status = decoder_.Open(item.content); !status.ok()) {
        NoteDamage(item.frame_offset, status.message() + " in the frame");
        return;
      }
      if (AcceptBlock() && options_.listener != nullptr) options_.listener->OnBlock(item.content);
      return;
    }
    if (item.field == kTrailerField) {
      auto trailer = DecodeTrailer(item.content);
      if (!trailer.ok()) {
        NoteDamage(item.frame_offset, trailer.status().message());
      } else if (trailer_) {
        NoteDamage(item.frame_offset, "there is a second trailer");
      } else {
        trailer_ = std::move(*trailer);
        if (options_.listener != nullptr) options_.listener->OnTrailer(*trailer_);
      }
    } else if (item.field == kHeaderField) {
      NoteDamage(item.frame_offset, "there is a second header");
    }
  }

  bool AcceptBlock() {
    if (!decoder_.has_place()) {
      if (decoder_.seq() != expected_seq_) {
        NoteDamage(frame_offset_, "a block's predecessor is missing");
        return false;
      }
      decoder_.ContinueAt(expected_event_, last_);
    }
    const bool continues =
        decoder_.seq() == expected_seq_ && decoder_.first_event() == expected_event_;
    const bool later = decoder_.seq() > expected_seq_ && decoder_.first_event() >= expected_event_;
    const bool in_time = continues ? decoder_.base() == last_ : decoder_.base() >= last_;
    if ((!continues && !later) || !in_time) {
      NoteDamage(frame_offset_, "a block does not follow the one before");
      return false;
    }
    if (continues) {
      BeginBlock();
      return true;
    }
    NoteDamage(frame_offset_, "blocks are missing before the frame");
    gap_told_ = true;
    if (decoder_.base() < options_.from || last_ >= options_.to) {
      BeginBlock();
      return true;
    }
    pending_gap_ = MakeGap(decoder_.base() - last_, decoder_.first_event() - expected_event_);
    state_ = State::kGapBeforeBlock;
    return true;
  }

  Event MakeGap(Duration length, std::uint64_t events_lost) const {
    Event event;
    event.at = last_;
    event.kind = EventKind::kGap;
    event.gap.reason = GapReason::kDamagedFile;
    event.gap.length = length;
    event.gap.events_lost = events_lost;
    return event;
  }

  // True: there is one to be delivered.
  bool GapAtEnd() {
    const bool known = trailer_.has_value();
    const std::uint64_t lost =
        known && trailer_->events > expected_event_ ? trailer_->events - expected_event_ : 0;
    const bool unknown_loss = damaged_ && !known && !gap_told_;
    if (end_gap_told_ || (lost == 0 && !unknown_loss) || last_ >= options_.to) return false;
    end_gap_told_ = true;
    NoteDamage(frame_offset_, "blocks are missing");
    pending_gap_ =
        MakeGap(known ? std::max(trailer_->end - last_, Duration::Zero()) : Duration::Zero(), lost);
    return true;
  }

  void CheckIndex(const ScanItem& item) {
    if (item.content.size() < 4 || item.content[0] != '\x5B') return;
    const auto index = DecodeIndex(item.content, item.frame_offset);
    if (options_.listener != nullptr) options_.listener->OnIndex(index, item.frame_offset);
    if (!index.ok()) {
      NoteDamage(item.frame_offset, "the index is damaged");
    }
  }

  Outcome Finish(bool early) {
    state_ = State::kEnd;
    ending_.end = last_;
    if (!early && trailer_) {
      ending_.end = std::max(trailer_->end, last_);
      if (!damaged_ && !jumped_ &&
          (trailer_->events != expected_event_ || trailer_->blocks != blocks_ ||
           trailer_->bytes != payload_)) {
        NoteDamage(frame_offset_, "the trailer's totals do not agree with the blocks");
      }
    }
    ending_.damaged = damaged_;
    ending_.closed_cleanly = !damaged_ && (trailer_.has_value() || early);
    if (damaged_) {
      ending_.what = "damaged: " + what_;
    } else if (!ending_.closed_cleanly) {
      ending_.what = "cut off after " + FormatInstant(last_) + " s; the recording was not closed";
    }
    return Outcome::kEnd;
  }

  void Jump() {
    std::optional<IndexEntry> entry;
    const bool indexed = FindInIndex(*source_, options_.from, entry);
    if (indexed && !entry) return;
    if (indexed) {
      scanner_->JumpTo(entry->offset);
      ScanItem item = scanner_->Next();
      if (item.kind == ScanItem::Kind::kField && item.field == kBlockField) {
        if (const auto seq = SeqAtPlace(item.content, *entry)) {
          first_item_ = std::move(item);
          BeginAt(
              {entry->offset, *seq, entry->first_event, Instant::FromNanoseconds(entry->base_ns)});
          return;
        }
      }
    }
    if (const auto place = FindByWalk(*source_, options_.from)) {
      scanner_->JumpTo(place->offset);
      BeginAt(*place);
    } else if (indexed) {
      scanner_ = FrameScanner::Create(*source_);
      items_ = scanner_.get();
      for (bool header = false; !header;) header = IsHeaderOrEnd(scanner_->Next());
    }
  }

  static bool IsHeaderOrEnd(const ScanItem& item) {
    if (item.kind == ScanItem::Kind::kField) return item.field == kHeaderField;
    return item.kind == ScanItem::Kind::kEnd || item.kind == ScanItem::Kind::kFailed;
  }

  void BeginAt(const FramePlace& place) {
    expected_seq_ = place.seq;
    expected_event_ = place.first_event;
    last_ = place.base;
    jumped_ = true;
    ending_.complete = false;
    jumped_to_ = place.offset;
  }

  void ScanOnAThread() {
    long_way_ = false;
    ahead_ = ScanAhead(std::move(scanner_), options_.make_ahead);
    items_ = ahead_.get();
  }

  std::unique_ptr<ByteSource> source_;
  ReaderOptions options_;
  std::unique_ptr<FrameScanner> scanner_;  // until ahead_ has it
  std::unique_ptr<ItemSource> ahead_;
  ItemSource* items_;                   // whichever of the two it is
  bool long_way_ = false;               // ahead_ is to begin
  std::optional<ScanItem> first_item_;  // taken from scanner_ already; to be looked at first
  BlockDecoder decoder_;
  std::optional<Bytes> held_;
  std::optional<Event> pending_gap_;
  Event gap_;  // given last
  BriefEvent gap_brief_;
  CaptureInfo info_;
  CaptureEnding ending_;
  Status status_;
  State state_ = State::kBetween;
  std::optional<TrailerFacts> trailer_;
  bool damaged_ = false;
  bool gap_told_ = false;
  bool end_gap_told_ = false;
  bool jumped_ = false;
  std::uint64_t jumped_to_ = 0;
  std::string what_;                // the first damage
  std::uint64_t frame_offset_ = 0;  // of what was scanned last
  std::uint64_t expected_seq_ = 0;
  std::uint64_t expected_event_ = 0;
  std::uint64_t blocks_ = 0;
  std::uint64_t payload_ = 0;
  bool all_wanted_ = false;  // every event of the block lies within from and to
  Instant last_;
};

Result<std::unique_ptr<CaptureReader>> Started(std::unique_ptr<ByteSource> source,
                                               const ReaderOptions& options) {
  auto reader = std::make_unique<CaptureReaderImpl>(std::move(source), options);
  if (const Status status = reader->Start(); !status.ok()) return status;
  return std::unique_ptr<CaptureReader>(std::move(reader));
}

}  // namespace

Result<std::unique_ptr<CaptureReader>> CaptureReader::Open(const std::string& path,
                                                           const ReaderOptions& options) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return source.status();
  auto reader = Started(std::move(*source), options);
  if (!reader.ok()) return reader.status().In(path);
  return reader;
}

Result<std::unique_ptr<CaptureReader>> CaptureReader::OpenMemory(ByteView bytes,
                                                                 const ReaderOptions& options) {
  return Started(OpenMemorySource(bytes), options);
}

}  // namespace witness
