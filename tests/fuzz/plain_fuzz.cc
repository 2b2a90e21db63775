// Any talk that begins in good order: what is taken past the segmenter (plain/shortcut.h) comes to
// the same examination as if the segmenter had taken it apart.
#include <array>
#include <vector>

#include "capture/examine/examination.h"
#include "capture/store/capture_writer.h"
#include "tests/fuzz/fuzz.h"
#include "tests/support/examination_words.h"

namespace witness::fuzz {
namespace {

using namespace std::string_view_literals;

struct Said {
  ByteView command, answer;  // either may be empty
};

// Lines with a result code; lines that answer in one; frames; blocks; sentences.
const std::vector<std::vector<Said>>& Manners() {
  static const std::vector<std::vector<Said>> manners = {
      {{"AT+STATE?\r\n"sv, "\r\n+STATE: IDLE,QUEUE=0\r\n\r\nOK\r\n"sv},
       {"AT+CHAN=12\r\n"sv, "\r\nOK\r\n"sv},
       {"AT+CHAN?\r\n"sv, "\r\n+CHAN: 7\r\n\r\nOK\r\n"sv},
       {"AT+NAME=butt\r\n"sv, "\r\nERROR\r\n"sv},
       {"AT+NAME?\r\n"sv, "\r\n+NAME: butt\r\r\n\r\nOK\r\n"sv},
       {"AT+KEY?\r\n"sv, "\r\n+KEY: 1234\r\n\r\nOK\r\n"sv},
       {"AT+JOIN\r\n"sv, "\r\nOK\r\n\r\n+JOIN: 3\r\n"sv},
       {"ATD17\r\n"sv, "\r\nCONNECT 9600\r\n"sv},
       {"AT+PLACE?\r\n"sv, "\r\n+PLACE: 12.3456,34.5678\r\n\r\nOK\r\n"sv},
       {"ATE1\r\n"sv, "ATE1\r\r\nOK\r\n"sv},
       {"AT\r\n"sv, "OK\r\n"sv},
       {"ATV0\r\n"sv, "0\r"sv}},
      {{"level 3\n"sv, "431 mm\r\n"sv},
       {"level 4\n"sv, "17 mm\r\n"sv},
       {"state\n"sv, "idle\r\n"sv},
       {"set name=north\n"sv, "done\r\n"sv},
       {"x\n"sv, "what?\r\n"sv},
       {"help\n"sv, "level N\r\nstate\r\n"sv}},
      {{"\x01\x03\x00\x00\x00\x02\xc4\x0b"sv, "\x01\x03\x04\x01\xaf\x00\x11\x0b\xe2"sv},
       {"\x01\x06\x00\x01\x00\x03\x98\x0b"sv, "\x01\x06\x00\x01\x00\x03\x98\x0b"sv},
       {"\x11\x03\x00\x6b\x00\x03\x76\x87"sv, "\x11\x83\x02\xc1\x34"sv}},
      {{"\x02\x10\x00\x99"sv, "\x06"sv},
       {"\x02\x11\x07\x88\x80\x81\x82\x83\x84\x85\x86\x87\x90\x91\x92\x93\x94\x95"sv, "\x06"sv},
       {"\x02\x12=\x90"sv, "\x02\x15\x01"sv},
       {"\x03\xff"sv, "OK"sv}},
      {{""sv, "$FNXDR,C,21.5,C,A*1F\r\n"sv},
       {""sv, "$GPGLL,4916.45,N,12311.12,W,225444,A*31\r\n$FNXDR,C,21.5,C,A*1F\r\n"sv},
       {""sv, "$FNXDR,C,21.5,C,A*1E\r\n"sv}}};
  return manners;
}

class Talk {
 public:
  explicit Talk(Input& input)
      : input_(input),
        manner_(input.Byte() % Manners().size()),
        said_(Manners()[manner_]),
        last_(said_.front()) {}

  std::vector<OwnedEvent> Make() {
    const std::uint8_t usual = input_.Byte();
    for (int i = 0; i < 40; ++i)
      Exchange(said_[(usual + i * i) % std::min<std::size_t>(said_.size(), 3)], 5, 3);
    while (!input_.empty() && events_.size() < 2000) Step();
    return std::move(events_);
  }

 private:
  void Step() {
    const std::uint8_t what = input_.Byte() & 15;
    const std::uint8_t pause = input_.Byte();
    switch (what) {
      case 8:
        Say(Side::kHost, input_.Take(input_.Byte() % 12), pause);
        break;
      case 9:
        Say(Side::kModule, input_.Take(input_.Byte() % 12), pause);
        break;
      case 10:
        Add(EventKind::kBadByte, Side::kModule, "?", pause);
        break;
      case 11:
        Add(EventKind::kBreak, Side::kModule, {}, pause);
        break;
      case 12:
        Add(EventKind::kNote, Side::kUnknown, "looked", pause);
        break;
      case 13:
        Add(EventKind::kGap, Side::kUnknown, {}, pause);
        break;
      case 14:
        Add(EventKind::kLineChange, Side::kHost, {}, pause);
        break;
      case 15:
        for (int i = input_.Byte() % 8; i >= 0; --i) Exchange(last_, pause, 3);
        break;
      default:
        last_ = said_[input_.Byte() % said_.size()];
        Exchange(last_, pause, input_.Byte());
        break;
    }
  }

  void Exchange(const Said& said, std::uint8_t pause, std::uint8_t turnaround) {
    Say(Side::kHost, said.command, pause);
    Say(Side::kModule, said.answer, said.command.empty() ? pause : turnaround);
  }

  // The upper bits of `pause` say where it is cut in two, if it is.
  void Say(Side side, ByteView bytes, std::uint8_t pause) {
    if (bytes.empty()) return;
    Bytes other(bytes);
    ++count_;
    for (char& c : other)  // other digits, in lines
      if (manner_ < kLines && c >= '0' && c <= '9')
        c = static_cast<char>('0' + (c + count_ * 7) % 10);
    const std::size_t cut = pause >> 4;
    if (cut == 0 || cut >= other.size()) {
      Add(EventKind::kBytes, side, other, pause);
      return;
    }
    Add(EventKind::kBytes, side, ByteView(other).substr(0, cut), pause);
    Add(EventKind::kBytes, side, ByteView(other).substr(cut), static_cast<std::uint8_t>(cut * 3));
  }

  void Add(EventKind kind, Side side, ByteView bytes, std::uint8_t pause) {
    static constexpr std::array<std::int64_t, 16> kMicroseconds = {
        0,       1,       900,     5'000,   12'000,    19'000,    21'000,    60'000,
        101'000, 150'000, 300'000, 510'000, 1'900'000, 2'100'000, 3'100'000, 12'000'000};
    at_ = at_ + Duration::Microseconds(kMicroseconds[pause & 15]);
    OwnedEvent event;
    event.event.at = at_;
    event.event.kind = kind;
    event.event.side = side;
    event.event.lines = event.event.changed = kind == EventKind::kLineChange ? 1 : 0;
    if (kind == EventKind::kGap) event.event.gap.reason = GapReason::kQueueFull;
    event.bytes = bytes;
    events_.push_back(std::move(event));
  }

  static constexpr std::size_t kLines = 2;  // the first manners are lines

  Input& input_;
  std::size_t manner_;
  const std::vector<Said>& said_;
  std::vector<OwnedEvent> events_;
  Said last_;
  Instant at_;
  std::uint32_t count_ = 0;
};

std::string Words(const Bytes& file, const ExamineOptions& options, bool watched) {
  auto reader = CaptureReader::OpenMemory(file);
  Must(reader.ok(), "what was written can be read");
  ConversationHandlers handlers;
  if (watched) handlers.on_segment = [](const Segment&) {};
  auto examination = Examine(**reader, options, handlers);
  Must(examination.ok(), "and examined");
  Must(!watched || examination->plain_events == 0, "who watches gets all segments");
  return test::Words(*examination);
}

}  // namespace
}  // namespace witness::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace witness;
  using namespace witness::fuzz;
  Input input(data, size);
  ExamineOptions options;
  const std::uint8_t head = input.Byte();
  options.segmenter.learn_bursts = 8 + head % 32;
  if ((head & 64) != 0) options.segmenter.character_time = Duration::Microseconds(87);
  if ((head & 128) != 0) options.segmenter.stamp_uncertainty = Duration::Milliseconds(1);
  const std::vector<OwnedEvent> events = Talk(input).Make();
  CaptureInfo info;
  info.origin = Origin::kBetween;
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), info);
  Must(writer.ok(), "a capture begins");
  for (const OwnedEvent& event : events) Must((*writer)->Append(event.View()).ok(), "takes events");
  Must((*writer)->Close(events.back().event.at).ok(), "and is closed");
  Must(Words(file, options, false) == Words(file, options, true), "both come to the same");
  return 0;
}
