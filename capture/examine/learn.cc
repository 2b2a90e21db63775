#include "capture/examine/learn.h"

#include <algorithm>
#include <map>
#include <string>

#include "capture/base/text.h"
#include "capture/examine/framing_stage.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/protocols/v250.h"
#include "capture/examine/silence.h"

namespace witness {
namespace {

struct LaneFacts {
  bool heard = false;
  Instant last;
  char last_byte = 0;
  std::size_t bytes = 0;
};

// Which sides speak, the gaps that only silence can explain, and whether commands are lines.
void MeasureTape(const Tape& tape, const SegmenterOptions& options, Conventions& out,
                 std::vector<Duration>& gaps) {
  LaneFacts lanes[3];
  Side last_side = Side::kUnknown;
  bool anybody = false;
  std::size_t host_text = 0, host_bytes = 0, host_endings = 0;
  std::vector<Duration> host_gaps_inside_lines;
  for (const TapeItem& item : tape.items) {
    if (item.kind != EventKind::kBytes || item.size == 0) continue;
    const ByteView bytes = tape.BytesOf(item);
    LaneFacts& lane = lanes[static_cast<int>(item.side)];
    if (item.side == Side::kHost) {
      host_bytes += bytes.size();
      for (const char c : bytes) {
        host_text += IsTextByte(c) ? 1u : 0u;
        host_endings += c == '\r' || c == '\n' ? 1u : 0u;
      }
    }
    if (lane.heard && anybody && last_side == item.side) {
      const Duration idle = IdleBefore(lane.last, item.at, item.size, options.character_time);
      const bool inside_line =
          item.side == Side::kHost && lane.last_byte != '\r' && lane.last_byte != '\n';
      (inside_line ? host_gaps_inside_lines : gaps).push_back(idle);
    }
    lane.heard = true;
    lane.last = item.at;
    lane.last_byte = bytes.back();
    lane.bytes += bytes.size();
    last_side = item.side;
    anybody = true;
  }
  out.unknown_heard = lanes[0].heard;
  out.host_heard = lanes[1].heard;
  out.module_heard = lanes[2].heard;
  // Nearly all text, and with endings: 19 of 20 leaves room for some binary in between.
  out.terminated_commands = host_endings > 0 && host_text * 20 >= host_bytes * 19;
  // Where commands are lines, pauses inside them are a person's typing and tell nothing.
  if (!out.terminated_commands)
    gaps.insert(gaps.end(), host_gaps_inside_lines.begin(), host_gaps_inside_lines.end());
}

// What one run of the machine over the stretch showed.
struct Tally {
  std::size_t replies = 0;
  std::size_t text_replies = 0;
  std::size_t with_result_code = 0;
  std::size_t one_line = 0;
  std::size_t echoes = 0;
  std::size_t commands = 0;
  std::map<Bytes, std::size_t> unasked_heads;
  std::map<Bytes, std::size_t> maybe_unasked_heads;  // of lines that may belong to an answer
  std::map<Bytes, std::size_t> reply_heads;
  std::vector<Duration> turnarounds;
  FramingTally framing;
};

Tally RunOnce(const Tape& tape, const SegmenterOptions& options, const Conventions& conventions) {
  Tally tally;
  Instant command_end;
  std::uint64_t command = 0;
  bool answered = true;
  std::size_t waiting = 0;  // commands since the last reply
  Bytes command_text;
  SegmentMachine machine(conventions, options, [&](const Slot& slot) {
    const Segment& s = slot.segment;
    if (s.kind != SegmentKind::kEcho && !s.bytes.empty()) tally.framing.Add(s.bytes);
    switch (s.kind) {
      case SegmentKind::kCommand:
        ++tally.commands;
        ++waiting;
        command_text = Stripped(s.bytes);
        command = s.turn;
        command_end = s.to;
        answered = false;
        break;
      case SegmentKind::kEcho:
        ++tally.echoes;
        break;
      case SegmentKind::kReply: {
        ++tally.replies;
        if (s.turn == command && !answered) {
          tally.turnarounds.push_back(s.from - command_end);
          answered = true;
        }
        const bool numeric = v250::NumericResultCode(s.bytes) != nullptr;
        if (!IsText(s.bytes)) break;
        ++tally.text_replies;
        if (numeric ||
            (s.ending != LineEnding::kNone && v250::IsFinalResultCode(LastLine(s.bytes))))
          ++tally.with_result_code;
        if (CountLines(s.bytes) == std::max<std::size_t>(waiting, 1)) ++tally.one_line;
        waiting = 0;
        // A line counts for an answer if the command names it; where result codes tell what is
        // an answer, only then.
        const Bytes head(HeadOf(s.bytes));
        const bool named = command_text.find(NameOf(head)) != Bytes::npos;
        if (named || (!conventions.result_codes && s.sure != Sureness::kUnsure))
          ++tally.reply_heads[head];
        break;
      }
      case SegmentKind::kUnsolicited:
        if (IsText(s.bytes) && s.ending != LineEnding::kNone) {
          const ByteView head = HeadOf(s.bytes);
          if (head.size() >= 3 && !v250::IsFinalResultCode(Stripped(s.bytes)))
            ++(s.sure != Sureness::kUnsure ? tally.unasked_heads
                                           : tally.maybe_unasked_heads)[Bytes(head)];
        }
        break;
      default:
        break;
    }
  });
  for (const TapeItem& item : tape.items) machine.Take(tape, item);
  machine.Finish();
  return tally;
}

void TakeHeads(const Tally& tally, Conventions& out) {
  constexpr std::size_t kMost = 32;
  out.unasked_heads.clear();
  std::map<Bytes, std::size_t> heads = tally.unasked_heads;
  // Twice the same doubtful beginning is no accident.
  for (const auto& [head, count] : tally.maybe_unasked_heads)
    if (count >= 2) heads[head] += count;
  for (const auto& [head, count] : heads) {
    const auto asked = tally.reply_heads.find(head);
    if (asked != tally.reply_heads.end() && asked->second > count) continue;
    if (out.unasked_heads.size() < kMost) out.unasked_heads.push_back(head);
  }
}

}  // namespace

Conventions LearnConventions(const Tape& tape, const SegmenterOptions& options) {
  Conventions out;
  std::vector<Duration> gaps;
  MeasureTape(tape, options, out, gaps);
  if (options.silence) {
    out.silence.value = *options.silence;
    out.silence.set_by_person = true;
    out.silence.why = "as asked for";
  } else {
    SilenceHints hints;
    hints.character_time = options.character_time;
    hints.stamp_uncertainty = options.stamp_uncertainty;
    hints.one_sided = !out.both_sides();
    out.silence = DeriveSilence(std::move(gaps), hints);
  }
  Tally tally = RunOnce(tape, options, out);
  out.framing = tally.framing.Best();
  if (!out.both_sides()) return out;
  out.echo = tally.echoes > 0 && tally.echoes * 10 >= tally.commands * 3;
  out.result_codes =
      tally.with_result_code > 0 && tally.with_result_code * 10 >= tally.text_replies * 5;
  out.one_line_replies = tally.replies > 0 && tally.one_line * 10 >= tally.replies * 9;
  if (!tally.turnarounds.empty()) {
    std::sort(tally.turnarounds.begin(), tally.turnarounds.end());
    out.usual_turnaround = tally.turnarounds[(tally.turnarounds.size() - 1) * 95 / 100];
  }
  // Again, now that it is known when an answer is complete: that shows what came unasked.
  TakeHeads(RunOnce(tape, options, out), out);
  return out;
}

}  // namespace witness
