#include "capture/examine/segment.h"

#include <utility>

#include "capture/base/text.h"

namespace witness {

void Swap(Segment& a, Segment& b) noexcept {
  std::swap(a.index, b.index);
  std::swap(a.kind, b.kind);
  std::swap(a.side, b.side);
  std::swap(a.from, b.from);
  std::swap(a.to, b.to);
  std::swap(a.first_event, b.first_event);
  std::swap(a.first_offset, b.first_offset);
  std::swap(a.last_event, b.last_event);
  std::swap(a.last_offset, b.last_offset);
  a.bytes.swap(b.bytes);
  std::swap(a.ending, b.ending);
  std::swap(a.ended_by, b.ended_by);
  std::swap(a.quiet_after, b.quiet_after);
  std::swap(a.kind_why, b.kind_why);
  std::swap(a.sure, b.sure);
  std::swap(a.turn, b.turn);
  std::swap(a.bad_bytes, b.bad_bytes);
  a.pieces.swap(b.pieces);
  std::swap(a.recognition.protocol, b.recognition.protocol);
  std::swap(a.recognition.character_time, b.recognition.character_time);
  a.recognition.name.swap(b.recognition.name);
  std::swap(a.content, b.content);
}

const char* LineEndingName(LineEnding ending) {
  switch (ending) {
    case LineEnding::kNone:
      return "none";
    case LineEnding::kCr:
      return "CR";
    case LineEnding::kLf:
      return "LF";
    case LineEnding::kCrLf:
      return "CR LF";
  }
  return "none";
}

const char* SegmentKindName(SegmentKind kind) {
  switch (kind) {
    case SegmentKind::kUnspecified:
      break;
    case SegmentKind::kCommand:
      return "command";
    case SegmentKind::kReply:
      return "reply";
    case SegmentKind::kEcho:
      return "echo";
    case SegmentKind::kUnsolicited:
      return "unsolicited";
    case SegmentKind::kBanner:
      return "banner";
    case SegmentKind::kSilence:
      return "silence";
    case SegmentKind::kGap:
      return "gap";
    case SegmentKind::kData:
      return "data";
    case SegmentKind::kLineEvent:
      return "line event";
  }
  return "unspecified";
}

const char* EndedByName(EndedBy why) {
  switch (why) {
    case EndedBy::kUnspecified:
      break;
    case EndedBy::kLineEnding:
      return "line ending";
    case EndedBy::kSilence:
      return "silence";
    case EndedBy::kOtherSide:
      return "other side";
    case EndedBy::kFraming:
      return "framing";
    case EndedBy::kGap:
      return "gap";
    case EndedBy::kBreak:
      return "break";
    case EndedBy::kEndOfCapture:
      return "end of capture";
    case EndedBy::kEchoComplete:
      return "echo complete";
    case EndedBy::kSizeLimit:
      return "size limit";
  }
  return "unspecified";
}

const char* SurenessName(Sureness sure) {
  switch (sure) {
    case Sureness::kUnspecified:
      break;
    case Sureness::kUnsure:
      return "unsure";
    case Sureness::kLikely:
      return "likely";
    case Sureness::kSure:
      return "sure";
  }
  return "unspecified";
}

std::string WhyEnded(const Segment& segment) {
  switch (segment.ended_by) {
    case EndedBy::kUnspecified:
      return "";
    case EndedBy::kLineEnding:
      return std::string("its line ending ") + LineEndingName(segment.ending) + " came";
    case EndedBy::kSilence:
      return segment.quiet_after == Duration::Max()
                 ? "nothing came behind it"
                 : "nothing came for " + FormatDuration(segment.quiet_after);
    case EndedBy::kOtherSide:
      return "the other side began to speak";
    case EndedBy::kFraming:
      return "its protocol says that it is complete";
    case EndedBy::kGap:
      return "something may be missing here";
    case EndedBy::kBreak:
      return "a break came";
    case EndedBy::kEndOfCapture:
      return "the capture ends here";
    case EndedBy::kEchoComplete:
      return "the whole command had been given back";
    case EndedBy::kSizeLimit:
      return "longer than is kept as one";
  }
  return "";
}

ByteView ValueSetBy(ByteView command) {
  LineEnding ending;
  const std::size_t ending_size = EndingOf(command, ending);
  const std::size_t equals = command.find('=');
  if (ending_size == 0 || (ending != LineEnding::kCr && ending != LineEnding::kCrLf) ||
      equals == ByteView::npos || equals + 2 >= command.size() - ending_size)
    return {};
  return command.substr(equals + 1, command.size() - ending_size - equals - 1);
}

}  // namespace witness
