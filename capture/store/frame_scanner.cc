#include "capture/store/frame_scanner.h"

#include <zstd.h>

#include <algorithm>
#include <cstring>

#include "capture/store/limits.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

constexpr std::size_t kFeed = std::size_t{128} << 10;
// On an error zstd gives nothing of what one call would have put out: small bites lose less.
constexpr std::size_t kSalvageFeed = 64;

struct FreeContext {
  void operator()(ZSTD_DCtx* c) const { ZSTD_freeDCtx(c); }
};

class FrameScannerImpl : public FrameScanner {
 public:
  explicit FrameScannerImpl(ByteSource& source) : source_(source), zstd_(ZSTD_createDCtx()) {
    ZSTD_DCtx_setParameter(zstd_.get(), ZSTD_d_windowLogMax, static_cast<int>(kMaxWindowLog));
  }

  void JumpTo(std::uint64_t offset) override {
    offset_ = offset;
    in_frame_ = false;
  }

  ScanItem Next() override {
    while (true) {
      ScanItem item;
      item.frame_offset = offset_;
      if (in_frame_ ? InFrame(item) : BetweenFrames(item)) return item;
    }
  }

 private:
  // Both give true if `item` is to be delivered.
  bool BetweenFrames(ScanItem& item) {
    const auto head = source_.View(offset_, 8);
    if (!head.ok()) return Failed(item, head.status());
    if (head->empty()) {
      item.kind = ScanItem::Kind::kEnd;
      item.end_offset = offset_;
      return true;
    }
    if (head->size() < 4) return CutOrDamage(item);
    const std::uint32_t magic = Little32(head->data());
    if (magic == kZstdMagic) {
      BeginFrame(false);
      return false;
    }
    if ((magic & 0xFFFFFFF0) == kSkippableMagic) {
      if (head->size() < 8) return CutOrDamage(item);
      return Skip(item, std::uint64_t{Little32(head->data() + 4)} + 8);
    }
    return Damage(item, "no frame begins here");
  }

  bool Skip(ScanItem& item, std::uint64_t size) {
    const auto file_size = source_.Size();
    if (!file_size.ok()) return Failed(item, file_size.status());
    if (size > *file_size - std::min(*file_size, offset_)) return CutOrDamage(item);
    if (size <= kMaxFrameBytes) {
      const auto all = source_.View(offset_, static_cast<std::size_t>(size));
      if (!all.ok()) return Failed(item, all.status());
      item.content = *all;
    }
    item.kind = ScanItem::Kind::kSkipped;
    offset_ += size;
    item.end_offset = offset_;
    return true;
  }

  void BeginFrame(bool salvage) {
    ZSTD_DCtx_reset(zstd_.get(), ZSTD_reset_session_only);
    in_frame_ = true;
    salvage_ = salvage;
    frame_done_ = false;
    fed_ = 0;
    produced_ = 0;
    raw_size_ = 0;
    parsed_ = 0;
    if (!salvage) {
      delivered_ = 0;
    } else {
      pass_ = delivered_;
    }
  }

  bool InFrame(ScanItem& item) {
    while (true) {
      bool stuck = false;
      if (TakeField(item, stuck)) return true;
      if (stuck) return Damage(item, "a frame's content cannot be told apart");
      if (frame_done_) {
        if (parsed_ != raw_size_) return Damage(item, "a frame ends inside a field");
        in_frame_ = false;
        item.kind = ScanItem::Kind::kFrameEnd;
        offset_ += fed_;
        item.end_offset = offset_;
        return true;
      }
      const Status status = Feed();
      if (status.ok()) continue;
      if (status.code() == Code::kIo) return Failed(item, status);
      if (status.code() == Code::kNotFound) return CutOrDamage(item);
      if (!salvage_ && status.code() == Code::kDamaged) {
        BeginFrame(true);
        continue;
      }
      return Damage(item, status.message());
    }
  }

  // Decompresses some more into raw_. kNotFound: the file ends.
  Status Feed() {
    const auto input = source_.View(offset_ + fed_, salvage_ ? kSalvageFeed : kFeed);
    if (!input.ok()) return input.status();
    ZSTD_inBuffer in{input->data(), input->size(), 0};
    MakeRoom();
    ZSTD_outBuffer out{raw_.get() + raw_size_, raw_room_ - raw_size_, 0};
    const std::size_t left = ZSTD_decompressStream(zstd_.get(), &out, &in);
    if (ZSTD_isError(left) != 0) {
      return Status(Code::kDamaged, std::string("a frame cannot be decompressed (") +
                                        ZSTD_getErrorName(left) + ")");
    }
    fed_ += in.pos;
    produced_ += out.pos;
    raw_size_ += out.pos;
    if (produced_ > kMaxFrameBytes) {
      return Status(Code::kUnsupported, "a frame is larger than a capture's may be (64 MiB)");
    }
    // In salvage what was delivered before is decompressed again and passed over.
    if (pass_ > 0 && salvage_) {
      const std::size_t now = static_cast<std::size_t>(std::min<std::uint64_t>(pass_, raw_size_));
      parsed_ = now;
      pass_ -= now;
    }
    if (left == 0) {
      frame_done_ = true;
    } else if (in.pos == 0 && out.pos == 0) {
      return Status(Code::kNotFound, "");
    }
    return OkStatus();
  }

  // Moves what was not yet given to the front of raw_ and sees that there is room behind it. A
  // field is at most kMaxFieldBytes long, so raw_ stays bounded.
  void MakeRoom() {
    if (parsed_ > 0) {
      raw_size_ -= parsed_;
      std::memmove(raw_.get(), raw_.get() + parsed_, raw_size_);
      parsed_ = 0;
    }
    if (raw_room_ - raw_size_ >= kFeed) return;
    raw_room_ = std::max(2 * raw_room_, raw_size_ + 2 * kFeed);
    auto larger = std::make_unique_for_overwrite<char[]>(raw_room_);
    std::copy_n(raw_.get(), raw_size_, larger.get());
    raw_ = std::move(larger);
  }

  // One field of Capture out of raw_. `stuck`: what is there can never become a field.
  bool TakeField(ScanItem& item, bool& stuck) {
    const ByteView rest(raw_.get() + parsed_, raw_size_ - parsed_);
    if (rest.empty()) return false;
    WireCursor cursor(rest);
    std::uint64_t tag = 0;
    std::uint64_t size = 0;
    const bool has_tag = cursor.Varint(tag);
    const bool has_size = has_tag && cursor.Varint(size);
    if (!has_size && rest.size() >= 20) stuck = true;
    if (has_tag && ((tag & 7) != 2 || tag >> 3 == 0 || tag >> 3 > 0x1FFFFFFF)) stuck = true;
    if (has_size && size > kMaxFieldBytes) stuck = true;
    if (stuck || !has_size) return false;
    if (size > cursor.left()) return false;
    cursor.Take(size, item.content);
    item.kind = ScanItem::Kind::kField;
    item.field = static_cast<std::uint32_t>(tag >> 3);
    const std::size_t taken = rest.size() - cursor.left();
    parsed_ += taken;
    delivered_ += taken;
    return true;
  }

  bool Failed(ScanItem& item, const Status& status) {
    item.kind = ScanItem::Kind::kFailed;
    item.what = status.message();
    in_frame_ = false;
    return true;
  }

  // The file ends inside the frame: cut off there, unless a frame begins further on.
  bool CutOrDamage(ScanItem& item) {
    in_frame_ = false;
    std::uint64_t found = 0;
    const Status status = FindFrame(offset_ + 1, found);
    if (status.code() == Code::kIo) return Failed(item, status);
    if (status.ok()) return DamageUpTo(item, "a frame does not end", found);
    item.kind = ScanItem::Kind::kCut;
    const auto size = source_.Size();
    item.end_offset = size.ok() ? *size : offset_;
    offset_ = item.end_offset;
    return true;
  }

  bool Damage(ScanItem& item, std::string what) {
    in_frame_ = false;
    std::uint64_t found = 0;
    const Status status = FindFrame(offset_ + 1, found);
    if (status.code() == Code::kIo) return Failed(item, status);
    if (!status.ok()) {
      const auto size = source_.Size();
      found = size.ok() ? *size : offset_ + 1;
    }
    return DamageUpTo(item, std::move(what), found);
  }

  bool DamageUpTo(ScanItem& item, std::string what, std::uint64_t found) {
    item.kind = ScanItem::Kind::kDamage;
    item.what = std::move(what);
    item.end_offset = found;
    offset_ = found;
    return true;
  }

  // The next place at or behind `from` that could be a frame's start. kNotFound: none.
  Status FindFrame(std::uint64_t from, std::uint64_t& found) {
    while (true) {
      const auto view = source_.View(from, kFeed);
      if (!view.ok()) return view.status();
      if (view->size() < 4) return Status(Code::kNotFound, "");
      for (std::size_t i = 0; i + 4 <= view->size(); ++i) {
        const char c = (*view)[i];
        if (c != '\x28' && c != '\x5B') continue;
        const std::uint32_t magic = Little32(view->data() + i);
        if (magic == kZstdMagic || magic == kIndexMagic) {
          found = from + i;
          return OkStatus();
        }
      }
      from += view->size() - 3;
    }
  }

  ByteSource& source_;
  std::unique_ptr<ZSTD_DCtx, FreeContext> zstd_;
  std::uint64_t offset_ = 0;  // of the frame at hand
  bool in_frame_ = false;
  bool salvage_ = false;
  bool frame_done_ = false;
  std::uint64_t fed_ = 0;        // compressed bytes of the frame taken so far
  std::uint64_t produced_ = 0;   // decompressed
  std::uint64_t delivered_ = 0;  // decompressed bytes of the frame given as fields
  std::uint64_t pass_ = 0;
  std::unique_ptr<char[]> raw_;  // decompressed
  std::size_t raw_size_ = 0;
  std::size_t raw_room_ = 0;
  std::size_t parsed_ = 0;  // bytes at the front of raw_ that were given
};

}  // namespace

std::unique_ptr<FrameScanner> FrameScanner::Create(ByteSource& source) {
  return std::make_unique<FrameScannerImpl>(source);
}

}  // namespace witness
