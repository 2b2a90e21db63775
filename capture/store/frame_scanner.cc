#include "capture/store/frame_scanner.h"

#define ZSTD_STATIC_LINKING_ONLY  // for ZSTD_d_stableOutBuffer; without it all works, but slower
#include <sys/mman.h>
#include <zstd.h>

#include <algorithm>
#include <cstdlib>
#include <cstring>
#include <new>
#include <vector>

#include "capture/store/limits.h"
#include "capture/store/wire.h"

namespace witness {
namespace {

constexpr std::size_t kFeed = std::size_t{128} << 10;
// Of a frame that was jumped to, only what comes before the wanted time may be needed.
constexpr std::size_t kFeedAfterJump = std::size_t{24} << 10;
// On an error zstd gives nothing of what one call would have put out: small bites lose less.
constexpr std::size_t kSalvageFeed = 64;

// Frames that need no larger window than this are decompressed to where they stay, without a copy.
constexpr unsigned kDirectWindowLog = 22;
constexpr std::size_t kDirectRoom = std::size_t{8} << 20;
// The first frame should hold the header alone.
constexpr std::size_t kFirstFrameRoom = std::size_t{64} << 10;

constexpr std::size_t kLargePage = std::size_t{2} << 20;

// Not filled. A large room is asked for in large pages, where the system has them: getting its
// memory a small page at a time takes a good part of what it takes to decompress into it.
ScanMemory NewMemory(std::size_t room) {
  const bool large = room >= 2 * kLargePage;
  if (large) room = (room + kLargePage - 1) / kLargePage * kLargePage;
  auto* bytes =
      static_cast<char*>(large ? std::aligned_alloc(kLargePage, room) : std::malloc(room));
  if (bytes == nullptr) throw std::bad_alloc();
  if (large) ::madvise(bytes, room, MADV_HUGEPAGE);
  return {std::unique_ptr<char[], FreeBytes>(bytes), room};
}

struct FreeContext {
  void operator()(ZSTD_DCtx* c) const { ZSTD_freeDCtx(c); }
};

class FrameScannerImpl : public FrameScanner {
 public:
  explicit FrameScannerImpl(ByteSource& source) : source_(source), zstd_(ZSTD_createDCtx()) {
    ZSTD_DCtx_setParameter(zstd_.get(), ZSTD_d_windowLogMax, static_cast<int>(kMaxWindowLog));
    direct_possible_ =
        ZSTD_isError(ZSTD_DCtx_setParameter(zstd_.get(), ZSTD_d_stableOutBuffer, 1)) == 0;
  }

  void JumpTo(std::uint64_t offset) override {
    offset_ = offset;
    in_frame_ = false;
    feed_ = kFeedAfterJump;
  }

  bool Ready() const override {
    if (!in_frame_) return false;
    Found found;
    if (Look(found)) return true;
    return frame_done_ && parsed_ == raw_size_;
  }

  std::shared_ptr<const ScanMemory> memory() const override { return memory_; }

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
      BeginFrame(FitsDirectly(*head) ? Way::kDirect : Way::kBuffered);
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
    if (size <= kMaxIndexBytes) {
      const auto all = source_.View(offset_, static_cast<std::size_t>(size));
      if (!all.ok()) return Failed(item, all.status());
      item.content = *all;
    }
    item.kind = ScanItem::Kind::kSkipped;
    offset_ += size;
    item.end_offset = offset_;
    return true;
  }

  // How a frame is decompressed. Where one way fails the next is tried from its start; what was
  // given already is passed over.
  enum class Way {
    kDirect,    // all of it to where it stays
    kBuffered,  // a piece at a time
    kSalvage,   // in small bites, to get as much as can be had
  };

  // By the frame's header (RFC 8878 section 3.1.1.1): five bytes and, mostly, one for the window.
  bool FitsDirectly(ByteView head) const {
    if (!direct_possible_ || head.size() < 6) return false;
    const bool single_segment = (static_cast<std::uint8_t>(head[4]) & 0x20) != 0;
    return single_segment || 10u + (static_cast<std::uint8_t>(head[5]) >> 3) <= kDirectWindowLog;
  }

  // Small files seldom hold large frames; those that do take the next way.
  std::size_t DirectRoom() {
    if (offset_ == 0) return kFirstFrameRoom;
    const auto size = source_.Size();
    const std::uint64_t left = size.ok() ? *size - std::min(*size, offset_) : 0;
    const std::uint64_t likely = std::max<std::uint64_t>(64 * left, std::uint64_t{64} << 10);
    return static_cast<std::size_t>(std::min<std::uint64_t>(kDirectRoom, likely));
  }

  void BeginFrame(Way way) {
    ZSTD_DCtx_reset(zstd_.get(), ZSTD_reset_session_only);
    if (direct_possible_) {
      ZSTD_DCtx_setParameter(zstd_.get(), ZSTD_d_stableOutBuffer, way == Way::kDirect ? 1 : 0);
    }
    if (!in_frame_) delivered_ = 0;
    pass_ = delivered_;
    in_frame_ = true;
    way_ = way;
    frame_done_ = false;
    fed_ = 0;
    produced_ = 0;
    raw_size_ = 0;
    parsed_ = 0;
    if (way == Way::kDirect || HeldByOthers()) TakeMemory(DirectRoom());
  }

  bool InFrame(ScanItem& item) {
    while (true) {
      bool stuck = false;
      if (TakeField(item, stuck)) return true;
      if (stuck) return Damage(item, "a frame's content cannot be told apart");
      if (frame_done_) {
        if (parsed_ != raw_size_) return Damage(item, "a frame ends inside a field");
        in_frame_ = false;
        feed_ = kFeed;
        item.kind = ScanItem::Kind::kFrameEnd;
        offset_ += fed_;
        item.end_offset = offset_;
        return true;
      }
      const Status status = Feed();
      if (status.ok()) continue;
      if (status.code() == Code::kIo) return Failed(item, status);
      if (status.code() == Code::kNotFound) return CutOrDamage(item);
      if (way_ != Way::kSalvage && status.code() == Code::kDamaged) {
        BeginFrame(way_ == Way::kDirect ? Way::kBuffered : Way::kSalvage);
        continue;
      }
      return Damage(item, status.message());
    }
  }

  // Decompresses some more into memory_. kNotFound: the file ends.
  Status Feed() {
    const auto input = source_.View(offset_ + fed_, way_ == Way::kSalvage ? kSalvageFeed : feed_);
    if (!input.ok()) return input.status();
    ZSTD_inBuffer in{input->data(), input->size(), 0};
    ZSTD_outBuffer out{};
    if (way_ == Way::kDirect) {
      out = {memory_->bytes.get(), memory_->room, raw_size_};
    } else {
      MakeRoom();
      // Not more at once than will be needed soon: what is left over may have to be moved.
      out = {raw() + raw_size_, std::min(kFeed, memory_->room - raw_size_), 0};
    }
    const std::size_t before = out.pos;
    const std::size_t left = ZSTD_decompressStream(zstd_.get(), &out, &in);
    if (ZSTD_isError(left) != 0) {
      return Status(Code::kDamaged, std::string("a frame cannot be decompressed (") +
                                        ZSTD_getErrorName(left) + ")");
    }
    const std::size_t more = out.pos - before;
    fed_ += in.pos;
    produced_ += more;
    raw_size_ += more;
    if (produced_ > kMaxFrameBytes) {
      return Status(Code::kUnsupported, "a frame is larger than a capture's may be (64 MiB)");
    }
    // In another try what was delivered before is decompressed again and passed over.
    if (pass_ > 0) {
      const std::size_t now = static_cast<std::size_t>(std::min<std::uint64_t>(pass_, raw_size_));
      parsed_ = now;
      pass_ -= now;
    }
    if (left == 0) {
      frame_done_ = true;
    } else if (in.pos == 0 && more == 0) {
      return Status(Code::kNotFound, "");
    }
    return OkStatus();
  }

  char* raw() const { return memory_->bytes.get(); }

  // Besides this and the list of all.
  bool HeldByOthers() const { return memory_ != nullptr && memory_.use_count() > 2; }

  // Makes memory_ one of at least `room` bytes that nobody else holds.
  void TakeMemory(std::size_t room) {
    memory_.reset();
    for (auto& one : memories_) {
      if (one.use_count() > 1) continue;
      if (one->room < room) *one = NewMemory(room);
      memory_ = one;
      return;
    }
    memory_ = std::make_shared<ScanMemory>(NewMemory(room));
    memories_.push_back(memory_);
  }

  // Moves what was not yet given to the front of memory_, or of another if that is still in use,
  // and sees that there is room behind it. A field is at most kMaxFieldBytes long, so it stays
  // bounded.
  void MakeRoom() {
    const std::size_t rest = raw_size_ - parsed_;
    const std::shared_ptr<ScanMemory> before = memory_;
    const std::size_t room = before == nullptr ? 0 : before->room;
    if (before == nullptr || before.use_count() > 3 || room - rest < kFeed) {
      TakeMemory(room - rest < kFeed ? std::max(2 * room, rest + 2 * kFeed) : room);
      if (rest > 0) std::memcpy(raw(), before->bytes.get() + parsed_, rest);
    } else if (parsed_ > 0) {
      std::memmove(raw(), raw() + parsed_, rest);
    }
    raw_size_ = rest;
    parsed_ = 0;
  }

  struct Found {
    std::uint32_t field = 0;
    ByteView content;
    std::size_t taken = 0;  // bytes with tag and size
    bool stuck = false;     // what is there can never become a field
  };

  // True: a field of Capture stands whole at the front of what was not yet given.
  bool Look(Found& found) const {
    if (raw_size_ == parsed_) return false;
    const ByteView rest(raw() + parsed_, raw_size_ - parsed_);
    WireCursor cursor(rest);
    std::uint64_t tag = 0;
    std::uint64_t size = 0;
    const bool has_tag = cursor.Varint(tag);
    const bool has_size = has_tag && cursor.Varint(size);
    if (!has_size && rest.size() >= 20) found.stuck = true;
    if (has_tag && ((tag & 7) != 2 || tag >> 3 == 0 || tag >> 3 > 0x1FFFFFFF)) found.stuck = true;
    if (has_size && size > kMaxFieldBytes) found.stuck = true;
    if (found.stuck || !has_size || size > cursor.left()) return false;
    cursor.Take(size, found.content);
    found.field = static_cast<std::uint32_t>(tag >> 3);
    found.taken = rest.size() - cursor.left();
    return true;
  }

  bool TakeField(ScanItem& item, bool& stuck) {
    Found found;
    const bool there = Look(found);
    stuck = found.stuck;
    if (!there) return false;
    item.kind = ScanItem::Kind::kField;
    item.field = found.field;
    item.content = found.content;
    parsed_ += found.taken;
    delivered_ += found.taken;
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
  bool direct_possible_ = false;
  Way way_ = Way::kBuffered;
  bool frame_done_ = false;
  std::size_t feed_ = kFeed;     // compressed bytes at a time
  std::uint64_t fed_ = 0;        // compressed bytes of the frame taken so far
  std::uint64_t produced_ = 0;   // decompressed
  std::uint64_t delivered_ = 0;  // decompressed bytes of the frame given as fields
  std::uint64_t pass_ = 0;
  std::vector<std::shared_ptr<ScanMemory>> memories_;
  std::shared_ptr<ScanMemory> memory_;  // one of them: what is decompressed
  std::size_t raw_size_ = 0;
  std::size_t parsed_ = 0;  // bytes at its front that were given
};

}  // namespace

std::unique_ptr<FrameScanner> FrameScanner::Create(ByteSource& source) {
  return std::make_unique<FrameScannerImpl>(source);
}

}  // namespace witness
