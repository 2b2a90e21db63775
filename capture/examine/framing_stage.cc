#include "capture/examine/framing_stage.h"

#include <algorithm>
#include <utility>

#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/hdlc.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/protocols/nmea.h"
#include "capture/examine/protocols/slip.h"
#include "capture/examine/protocols/v250.h"
#include "capture/examine/secrets.h"

namespace witness {
namespace {

constexpr std::size_t kMostRubbish = 512;  // bytes looked through for the next frame

Protocol ProtocolOfFraming(Framing framing) {
  switch (framing) {
    case Framing::kNone:
      break;
    case Framing::kModbusRtu:
      return Protocol::kModbusRtu;
    case Framing::kModbusAscii:
      return Protocol::kModbusAscii;
    case Framing::kNmea:
      return Protocol::kNmea;
    case Framing::kSlip:
      return Protocol::kSlip;
    case Framing::kHdlc:
      return Protocol::kHdlc;
  }
  return Protocol::kNone;
}

}  // namespace

std::size_t FrameOf(Framing framing, ByteView bytes) {
  switch (framing) {
    case Framing::kNone:
      break;
    case Framing::kModbusRtu:
      return modbus::RtuFrameAt(bytes);
    case Framing::kModbusAscii:
      return modbus::AsciiFrameAt(bytes);
    case Framing::kNmea:
      return nmea::SentenceAt(bytes);
    case Framing::kSlip:
      return slip::PacketAt(bytes);
    case Framing::kHdlc:
      return hdlc::FrameAt(bytes);
  }
  return 0;
}

void FramingTally::Add(ByteView bytes) {
  bytes_ += bytes.size();
  for (const Framing framing : {Framing::kModbusRtu, Framing::kModbusAscii, Framing::kNmea,
                                Framing::kSlip, Framing::kHdlc}) {
    Count& count = counts_[static_cast<int>(framing)];
    std::size_t at = 0;
    while (at < bytes.size()) {
      const std::size_t size = FrameOf(framing, bytes.substr(at));
      if (size == 0) break;
      ++count.frames;
      count.bytes += size;
      at += size;
    }
  }
}

Framing FramingTally::Best() const {
  Framing best = Framing::kNone;
  std::size_t most = 0;
  for (int i = 1; i < 6; ++i) {
    const Count& count = counts_[i];
    const auto framing = static_cast<Framing>(i);
    // SLIP has no check of its own: all must fit, and packets must be more than a byte or two.
    const bool weak = framing == Framing::kSlip;
    const bool enough = weak ? count.frames >= 3 && count.bytes * 20 >= bytes_ * 19 &&
                                   count.bytes >= count.frames * 4
                             : count.frames >= 2 && count.bytes * 10 >= bytes_ * 6;
    if (!enough || (weak && best != Framing::kNone) || count.bytes <= most) continue;
    best = framing;
    most = count.bytes;
  }
  return best;
}

FramingStage::FramingStage(const Conventions& conventions, const SegmenterOptions& options,
                           Sink sink)
    : conventions_(conventions),
      rule_(options.framing ? &*options.framing : nullptr),
      character_time_(options.character_time),
      stamp_uncertainty_(options.stamp_uncertainty),
      sink_(std::move(sink)) {
  if (rule_ != nullptr) rule_name_ = std::make_shared<const std::string>(rule_->name);
}

std::size_t FramingStage::SilenceInside(const Segment& segment) const {
  const Duration least = modbus::FrameSilence(character_time_);
  if (conventions_.framing != Framing::kModbusRtu || rule_ != nullptr || least == Duration::Zero())
    return 0;
  std::size_t at = 0;
  for (std::size_t i = 1; i < segment.pieces.size(); ++i) {
    const SegmentPiece& before = segment.pieces[i - 1];
    const SegmentPiece& piece = segment.pieces[i];
    at += before.size;
    // A stamp that was late for the piece before makes the pause look shorter, never longer.
    const Duration idle = IdleBefore(before.at, piece.at, piece.size, character_time_);
    if (idle >= least + stamp_uncertainty_) return at;
  }
  return 0;
}

// A pause of more than t1.5 inside a frame: the standard has such a frame thrown away.
void FramingStage::RemarkPause(Segment& segment) const {
  const Duration most = modbus::CharacterPause(character_time_);
  if (most == Duration::Zero()) return;
  if (LongestPauseIn(segment, character_time_) <= most + stamp_uncertainty_) return;
  segment.recognition.character_time = character_time_;
  segment.sure = std::min(segment.sure, Sureness::kLikely);
}

std::size_t FramingStage::Next(ByteView bytes) const {
  return rule_ != nullptr ? FrameAt(*rule_, bytes) : FrameOf(conventions_.framing, bytes);
}

void FramingStage::SetRole(Segment& s) {
  const ByteView bytes = s.bytes;
  if (conventions_.framing == Framing::kNmea) {
    if (s.kind == SegmentKind::kData || s.kind == SegmentKind::kBanner) {
      s.kind = SegmentKind::kUnsolicited;
      s.kind_why = "a talker's sentence: nobody asks for those";
      s.sure = std::min(s.sure, Sureness::kLikely);
    } else if (s.kind == SegmentKind::kCommand) {
      request_ = s.bytes;
    } else if (s.kind == SegmentKind::kReply && nmea::ComesByItself(bytes, request_)) {
      s.kind = SegmentKind::kUnsolicited;
      s.kind_why = "a talker's sentence that the command does not name";
      s.sure = std::min(s.sure, Sureness::kLikely);
    }
    return;
  }
  const bool ascii = conventions_.framing == Framing::kModbusAscii;
  if (conventions_.framing != Framing::kModbusRtu && !ascii) return;
  const Bytes from_ascii = ascii ? modbus::AsciiAsRtu(bytes) : Bytes();
  const ByteView frame = ascii ? ByteView(from_ascii) : bytes;
  const modbus::Role role = modbus::RtuRole(frame);
  const bool answers =
      !answered_ && modbus::Answers(request_, frame) && role != modbus::Role::kRequest;
  if (s.kind == SegmentKind::kCommand) {
    // The checksum says where it ends.
    s.sure = Sureness::kSure;
    request_ = frame;
    answered_ = false;
    return;
  }
  if (s.kind == SegmentKind::kReply) {
    if (answers) {
      s.sure = Sureness::kSure;
      s.kind_why = "it answers the request before it";
      answered_ = true;
    }
    return;
  }
  if (s.kind != SegmentKind::kData || s.side == Side::kModule) return;
  // On one wire a frame that can answer the request before it does; any other is a request. Read
  // as one or the other by its length alone, where that tells.
  s.sure = role == modbus::Role::kUnknown && !answers ? Sureness::kLikely : Sureness::kSure;
  if (answers) {
    s.kind = SegmentKind::kReply;
    s.kind_why = "it answers the request before it";
    s.turn = turns_;
    answered_ = true;
  } else if (role != modbus::Role::kResponse) {
    s.kind = SegmentKind::kCommand;
    s.kind_why = "a request";
    s.turn = ++turns_;
    request_ = frame;
    answered_ = false;
  }
}

bool FramingStage::IsChecked() const {
  if (rule_ != nullptr) return false;
  return conventions_.framing == Framing::kModbusRtu ||
         conventions_.framing == Framing::kModbusAscii || conventions_.framing == Framing::kNmea ||
         conventions_.framing == Framing::kHdlc;
}

void FramingStage::Recognise(Segment& s) const {
  if (rule_ != nullptr) {
    s.recognition.protocol = Protocol::kOfPerson;
    s.recognition.name = rule_name_;
    return;
  }
  s.recognition.protocol = ProtocolOfFraming(conventions_.framing);
  if (conventions_.framing == Framing::kModbusRtu) RemarkPause(s);
}

std::size_t FramingStage::CommandLineEdge(ByteView text) {
  std::size_t at = 0;
  while (at < text.size()) {
    std::size_t end = FindLineEnd(text, at);
    if (end == ByteView::npos) return 0;
    end += text.substr(end, 2) == "\r\n" ? 2 : 1;
    if (v250::IsCommandLine(text.substr(at, end - at))) return at > 0 ? at : end;
    at = end;
  }
  return 0;
}

void FramingStage::TakeTextOfOneWire(Slot& slot) {
  for (;;) {
    Segment& s = slot.segment;
    const std::size_t edge = CommandLineEdge(s.bytes);
    if (edge == 0 || edge >= s.bytes.size()) break;
    rest_.Reset(s.kind, s.side);
    rest_.segment.sure = s.sure;
    rest_.segment.kind_why = s.kind_why;
    rest_.segment.ended_by = s.ended_by;
    rest_.segment.quiet_after = s.quiet_after;
    slot.SplitInto(edge, rest_);
    EndingOf(rest_.segment.bytes, rest_.segment.ending);
    EndingOf(s.bytes, s.ending);
    s.ended_by = EndedBy::kLineEnding;
    s.quiet_after = Duration::Zero();
    s.sure = Sureness::kLikely;
    GiveFrame(slot);
    std::swap(slot, rest_);
  }
  GiveFrame(slot);
}

void FramingStage::GiveTalk(Slot& slot) {
  Segment& s = slot.segment;
  if (conventions_.result_codes) s.recognition.protocol = Protocol::kV250;
  const ByteView bytes = s.bytes;
  if (bytes.size() > Memo<Content>::kLongestRemembered) {
    GiveFrame(slot);
    return;
  }
  const bool as_host = SpeaksAsHost(s);
  s.content = known_.Of(bytes, as_host ? 1 : 0, [&] {
    Content out = ContentOf(bytes, slot.text);
    out.sought = true;
    out.secret = !SecretsIn(bytes, as_host).empty();
    out.asked = AskedFor(bytes);
    return out;
  });
  Give(s);
}

void FramingStage::Give(Segment& segment) {
  segment.index = given_++;
  sink_(segment);
}

void FramingStage::GiveFrame(Slot& slot) {
  Segment& s = slot.segment;
  s.content = ContentOf(s.bytes, slot.text);
  Give(s);
}

void FramingStage::Take(Slot& slot) {
  const bool none = rule_ == nullptr && conventions_.framing == Framing::kNone;
  Segment& s = slot.segment;
  if (s.bytes.empty()) {
    s.content = Content();
    Give(s);
    return;
  }
  if (none && s.kind == SegmentKind::kData && s.side == Side::kUnknown && slot.text) {
    TakeTextOfOneWire(slot);
    return;
  }
  if (none) {
    GiveTalk(slot);
    return;
  }
  if (s.kind == SegmentKind::kEcho) {
    GiveFrame(slot);
    return;
  }
  for (;;) {
    const ByteView bytes = s.bytes;
    std::size_t size = Next(bytes);
    const bool frame = size > 0;
    if (!frame) {
      // Rubbish up to where a frame begins, or to a silence that ends frames.
      const std::size_t silence = SilenceInside(s);
      size = silence > 0 ? silence : bytes.size();
      for (std::size_t skip = 1; skip < std::min(size, kMostRubbish); ++skip) {
        if (Next(bytes.substr(skip)) == 0) continue;
        size = skip;
        break;
      }
    }
    const bool cut = size < bytes.size();
    if (cut) {
      rest_.Reset(s.kind, s.side);
      Segment& r = rest_.segment;
      r.sure = s.sure;
      r.kind_why = s.kind_why;
      r.ended_by = s.ended_by;
      r.quiet_after = s.quiet_after;
      slot.SplitInto(size, rest_);
      EndingOf(r.bytes, r.ending);
      EndingOf(s.bytes, s.ending);
      s.ended_by = EndedBy::kFraming;
      s.quiet_after = Duration::Zero();
    }
    if (frame) {
      // What the silence left in doubt the checksum settles, but not what it was said for.
      if (!conventions_.both_sides() && IsChecked()) s.sure = Sureness::kSure;
      SetRole(s);
      Recognise(s);
    } else {
      s.sure = Sureness::kUnsure;
    }
    GiveFrame(slot);
    if (!cut) return;
    Swap(slot, rest_);
  }
}

}  // namespace witness
