// What the segmenter makes of events: spans of bytes with a meaning, and exchanges of them.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/examine/content.h"
#include "capture/examine/recognition.h"
#include "capture/store/event.h"

namespace witness {

enum class SegmentKind : std::uint8_t {
  kUnspecified = 0,
  kCommand = 1,
  kReply = 2,
  kEcho = 3,         // the module gives back the command's own bytes
  kUnsolicited = 4,  // the module spoke unasked
  kBanner = 5,       // the module spoke before any command, as after power-up
  kSilence = 6,      // nobody spoke for longer than the silence threshold
  kGap = 7,          // something may be missing (Event::gap)
  kData = 8,         // bytes whose role cannot be told (one side only, side unknown, rubbish)
  kLineEvent = 9,    // break, line change, error counts, note
};

enum class LineEnding : std::uint8_t { kNone = 0, kCr = 1, kLf = 2, kCrLf = 3 };

// Why a segment ended where it did.
enum class EndedBy : std::uint8_t {
  kUnspecified = 0,
  kLineEnding = 1,  // terminator seen and nothing followed in time
  kSilence = 2,     // no byte for the silence threshold
  kOtherSide = 3,   // the other side began to speak
  kFraming = 4,     // a protocol's own length, end mark or checksum
  kGap = 5,
  kBreak = 6,
  kEndOfCapture = 7,
  kEchoComplete = 8,
  kSizeLimit = 9,  // longer than the segmenter keeps
};

enum class Sureness : std::uint8_t { kUnspecified = 0, kUnsure = 1, kLikely = 2, kSure = 3 };

// Bytes delivered by one event, within a segment.
struct SegmentPiece {
  Instant at;
  std::uint64_t event = 0;  // index in the capture
  std::size_t size = 0;     // bytes of the segment that this event delivered
};

struct Segment {
  // From 0, in order of their beginnings; what is stamped before its command comes behind it.
  std::uint64_t index = 0;
  SegmentKind kind = SegmentKind::kUnspecified;
  Side side = Side::kUnknown;
  Instant from;                   // stamp of the first event
  Instant to;                     // stamp of the last event
  std::uint64_t first_event = 0;  // index in the capture, counted from 0
  std::size_t first_offset = 0;   // byte within that event
  std::uint64_t last_event = 0;
  std::size_t last_offset = 0;  // one past the last byte within that event
  Bytes bytes;
  LineEnding ending = LineEnding::kNone;  // how `bytes` ends
  EndedBy ended_by = EndedBy::kUnspecified;
  Duration quiet_after;       // with kSilence: how long this side then said nothing
  const char* kind_why = "";  // why it is taken for what it is; static words, may be empty
  Sureness sure = Sureness::kUnspecified;
  // Which command, counted from 1: of a command its own number; of an echo or reply the command it
  // belongs to; of an unsolicited one the command whose answer it came into. 0: none.
  std::uint64_t turn = 0;
  std::uint32_t bad_bytes = 0;  // of `bytes`, came with a parity or framing error
  std::vector<SegmentPiece> pieces;
  Recognition recognition;  // ProtocolOf() says it in words
  Content content;          // what `bytes` are, in segments that the segmenter gives out
};

// An echo is the host's words, too.
inline bool SpeaksAsHost(const Segment& s) {
  return s.side == Side::kHost || s.kind == SegmentKind::kEcho;
}

// Member by member, so that buffers change hands and nothing is moved thrice.
void Swap(Segment& a, Segment& b) noexcept;

// Length in bytes of the line ending at the end of `bytes`; which one it is in `ending`.
inline std::size_t EndingOf(ByteView bytes, LineEnding& ending) {
  ending = LineEnding::kNone;
  if (bytes.empty()) return 0;
  if (bytes.back() == '\r') {
    ending = LineEnding::kCr;
    return 1;
  }
  if (bytes.back() != '\n') return 0;
  if (bytes.size() >= 2 && bytes[bytes.size() - 2] == '\r') {
    ending = LineEnding::kCrLf;
    return 2;
  }
  ending = LineEnding::kLf;
  return 1;
}

// What a command that ends with CR or CR LF sets, behind its first '=': two bytes or more, else
// none. A view into `command`.
ByteView ValueSetBy(ByteView command);
const char* LineEndingName(LineEnding ending);  // "none", "CR", "LF", "CR LF"
const char* SegmentKindName(SegmentKind kind);
const char* EndedByName(EndedBy why);
const char* SurenessName(Sureness sure);
// The boundary's reason in words: "nothing came for 120 ms".
std::string WhyEnded(const Segment& segment);

}  // namespace witness
