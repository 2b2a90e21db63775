#include "capture/examine/learn.h"

#include <algorithm>
#include <array>

#include "capture/base/text.h"
#include "capture/examine/answer_study.h"
#include "capture/examine/bare_echo.h"
#include "capture/examine/block_study.h"
#include "capture/examine/echo_order.h"
#include "capture/examine/framing_stage.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/protocols/v250.h"
#include "capture/examine/silence.h"

namespace witness {
namespace {

constexpr int kReadings = 3;
constexpr Duration kNoTime = Duration::Nanoseconds(1);  // but known
// The rest of an answer hardly comes later (common practice, no source).
constexpr Duration kLongestPauseBeforeCode = Duration::Seconds(1);
// A sender does not stop for longer in the middle of a block (the same).
constexpr Duration kBriefly = Duration::Milliseconds(20);
constexpr double kNearlyAllBlocks = 0.97;

// Tells the silence between an echo and the answer: it is a turnaround.
class EchoWatch {
 public:
  void Host(ByteView bytes) {
    if (module_spoke_) said_.clear();
    module_spoke_ = false;
    if (said_.size() < kMostSaid) said_ += bytes;
  }
  // Whether all that the module has said since the host did is that; asked before Module().
  bool OnlyEcho() const { return module_spoke_ && only_echo_; }
  void Module(ByteView bytes) {
    if (!module_spoke_) echoed_ = 0;
    only_echo_ = (!module_spoke_ || only_echo_) && said_.size() >= 2 &&
                 ByteView(said_).substr(echoed_, bytes.size()) == bytes;
    echoed_ += bytes.size();
    module_spoke_ = true;
  }

 private:
  static constexpr std::size_t kMostSaid = 4096;
  Bytes said_;
  std::size_t echoed_ = 0;
  bool module_spoke_ = false, only_echo_ = false;
};

// Whether what the host says comes back, in its order, before anything else of the module, and more
// than that comes. A first guess: byte by byte it is not seen otherwise.
class EchoGuess {
 public:
  void Host(ByteView bytes) {
    if (others_) said_.clear();
    others_ = false;
    host_ += bytes.size();
    if (said_.size() < kMostSaid) said_ += bytes;
  }
  void Module(ByteView bytes) {
    module_ += bytes.size();
    std::size_t same = 0;
    while (!others_ && same < bytes.size() && same < said_.size() &&
           (bytes[same] == said_[same] || HidesKey(bytes[same], said_[same])))
      ++same;
    said_.erase(0, same);
    came_back_ += same;
    others_ = others_ || same < bytes.size();
  }
  bool Echoes() const {
    return host_ >= 16 && came_back_ * 10 >= host_ * 8 && module_ * 10 >= host_ * 13;
  }

 private:
  static constexpr std::size_t kMostSaid = 4096;
  Bytes said_;
  bool others_ = false;
  std::size_t host_ = 0, module_ = 0, came_back_ = 0;
};

// How lines end: LF CR rather than CR LF, and the last byte of answers.
class LineEnds {
 public:
  // `echo_before`: what the module said last was nothing but echo.
  void Take(Side side, ByteView bytes, bool echo_before) {
    if (side == Side::kUnknown) return;
    Lane& lane = lanes_[static_cast<int>(side)];
    // CR LF CR LF is no LF CR.
    const auto count = [&](char before, char behind) {
      ++(behind == '\r' && before != '\r' ? pairs_ : others_);
    };
    if (lane.last == '\n') count(lane.before, bytes[0]);
    for (std::size_t at = bytes.find('\n'); at < bytes.size() - 1; at = bytes.find('\n', at + 1))
      count(at > 0 ? bytes[at - 1] : lane.last, bytes[at + 1]);
    lane.before = bytes.size() > 1 ? bytes[bytes.size() - 2] : lane.last;
    lane.last = bytes.back();
    const Lane& host = lanes_[static_cast<int>(Side::kHost)];
    const Lane& module = lanes_[static_cast<int>(Side::kModule)];
    if (side == Side::kHost && last_ == Side::kModule && asked_ && !echo_before) {
      ++answers_;
      cr_ += module.last == '\r' ? 1u : 0u;
      lf_ += module.last == '\n' ? 1u : 0u;
      asked_ = false;
    }
    if (side == Side::kModule && last_ == Side::kHost) asked_ = IsLineEnd(host.last);
    last_ = side;
  }
  bool LfCr() const { return pairs_ >= 3 && pairs_ >= others_ * 10; }
  // Where commands are lines.
  char AnswersLast() const {
    if (answers_ < 3) return 0;
    if (lf_ * 20 >= answers_ * 19) return '\n';
    return cr_ * 20 >= answers_ * 19 ? '\r' : '\0';
  }

 private:
  struct Lane {
    char last = 0, before = 0;
  };
  Lane lanes_[3];
  Side last_ = Side::kUnknown;
  bool asked_ = false;
  std::size_t pairs_ = 0, others_ = 0, answers_ = 0, cr_ = 0, lf_ = 0;
};

// Whether `said` is text in parts that each end with the same byte, which is none, so many times.
void FindByteMark(ByteView said, Conventions& out) {
  const auto first = std::find_if_not(said.begin(), said.end(), IsTextByte);
  if (first == said.end()) return;
  const char mark = *first;
  std::size_t times = 0, parts = 0;
  for (std::size_t at = 0; at < said.size();) {
    const std::size_t end = std::min(said.find(mark, at), said.size());
    if (!IsText(said.substr(at, end - at))) return;
    const std::size_t stop = std::min(said.find_first_not_of(mark, end), said.size());
    // What the stretch begins or ends within may be incomplete.
    if (end > 0 && stop < said.size()) {
      ++parts;
      if (times == 0) times = stop - end;
      if (stop - end != times) return;
    }
    at = stop;
  }
  if (parts < 4 || times < 2) return;
  out.command_mark = mark;
  out.command_mark_times = times;
}

struct LaneFacts {
  bool heard = false;
  Instant last;
  char last_byte = 0;
  std::size_t bytes = 0;
};

bool GuessEcho(const Tape& tape, const SegmenterOptions& options) {
  EchoGuess guess;
  EchoOrder order(options.stamp_uncertainty, options.character_time);
  order.Run(tape, 0, Instant::Never(), [&](const TapeItem& item) {
    if (item.kind != EventKind::kBytes) return;
    if (item.side == Side::kHost) guess.Host(tape.BytesOf(item));
    if (item.side == Side::kModule) guess.Module(tape.BytesOf(item));
  });
  return guess.Echoes();
}

// Which sides speak, the gaps that only silence can explain, and whether commands are lines.
void MeasureTape(const Tape& tape, const SegmenterOptions& options, Conventions& out,
                 std::vector<Duration>& gaps) {
  LaneFacts lanes[3];
  Side last_side = Side::kUnknown;
  bool anybody = false;
  EchoWatch echo;
  std::array<std::size_t, 256> host_bytes_of = {}, host_last = {};
  std::size_t host_runs = 0;
  std::size_t host_text = 0, host_bytes = 0, host_endings = 0;
  Bytes host_said;
  LineEnds ends;
  std::vector<Duration> host_gaps_inside_lines, turnarounds;
  for (const TapeItem& item : tape.items) {
    if (item.kind != EventKind::kBytes || item.size == 0) continue;
    const ByteView bytes = tape.BytesOf(item);
    LaneFacts& lane = lanes[static_cast<int>(item.side)];
    if (item.side == Side::kHost) {
      host_bytes += bytes.size();
      host_said += bytes;
      for (const char c : bytes) {
        ++host_bytes_of[static_cast<unsigned char>(c)];
        host_text += IsTextByte(c) ? 1u : 0u;
        host_endings += c == '\r' || c == '\n' ? 1u : 0u;
      }
    }
    const bool echo_before = echo.OnlyEcho();
    ends.Take(item.side, bytes, echo_before);
    if (item.side == Side::kHost && last_side == Side::kModule && lane.heard && echo_before) {
      // What it said was given back, and nothing else came.
      const Duration idle = IdleBefore(lane.last, item.at, item.size, options.character_time);
      (IsLineEnd(lane.last_byte) ? gaps : host_gaps_inside_lines).push_back(idle);
    }
    if (item.side == Side::kModule && last_side == Side::kModule && echo_before) {
      turnarounds.push_back(IdleBefore(lane.last, item.at, item.size, options.character_time));
    } else if (lane.heard && anybody && last_side == item.side) {
      const Duration idle = IdleBefore(lane.last, item.at, item.size, options.character_time);
      const bool inside_line = item.side == Side::kHost && !IsLineEnd(lane.last_byte);
      (inside_line ? host_gaps_inside_lines : gaps).push_back(idle);
    }
    if (item.side == Side::kModule && anybody && last_side == Side::kHost) {
      ++host_runs;
      ++host_last[static_cast<unsigned char>(lanes[1].last_byte)];
      turnarounds.push_back(IdleBefore(lanes[1].last, item.at, item.size, options.character_time));
    }
    if (item.side == Side::kHost)
      echo.Host(bytes);
    else if (item.side == Side::kModule)
      echo.Module(bytes);
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
  if (out.both_sides()) out.bare_echo = FindBareEcho(tape, options);
  out.echo = out.bare_echo == BareEcho::kGiven || (out.both_sides() && GuessEcho(tape, options));
  // Nearly all text, and with endings: 19 of 20 leaves room for some binary in between.
  out.terminated_commands = host_endings > 0 && host_text * 20 >= host_bytes * 19;
  out.lf_cr = ends.LfCr();
  out.answers_last = ends.AnswersLast();
  // A mark in place of an ending: before an answer there is always that, and hardly elsewhere.
  for (std::size_t c = 0; c < 256 && !out.terminated_commands; ++c) {
    const bool always = host_runs >= 4 && host_last[c] * 100 >= host_runs * 97;
    const bool can_be = CanBeMark(static_cast<char>(c)) && host_text * 20 >= host_bytes * 19;
    if (always && can_be && host_bytes_of[c] <= host_runs * 2)
      out.command_mark = static_cast<char>(c);
  }
  if (!out.terminated_commands && out.command_mark == 0) FindByteMark(host_said, out);
  if (!turnarounds.empty()) {
    std::sort(turnarounds.begin(), turnarounds.end());
    out.usual_turnaround =
        std::min(turnarounds[(turnarounds.size() - 1) * 95 / 100], kLongestUsualTurnaround);
    out.quick_turnaround = std::max(turnarounds[(turnarounds.size() - 1) / 10], kNoTime);
  }
  // Where commands are lines, pauses inside them are a person's typing and tell nothing.
  if (!out.terminated_commands)
    gaps.insert(gaps.end(), host_gaps_inside_lines.begin(), host_gaps_inside_lines.end());
}

// Whether what the module says before a silence ends with CR or LF. If hardly anybody is ever
// silent: before the host speaks again, as far as stamps show that.
bool ModuleEndsLines(const Tape& tape, const SegmenterOptions& options, Duration silence) {
  struct Count {
    std::size_t ended = 0, all = 0;

    void Add(ByteView bytes) {
      ++all;
      ended += IsLineEnd(bytes.back()) ? 1u : 0u;
    }
  };
  Count silences, turns;
  const TapeItem* last = nullptr;
  Instant last_at;
  for (const TapeItem& item : tape.items) {
    if (item.kind != EventKind::kBytes || item.size == 0) continue;
    if (last != nullptr && last->side == Side::kModule) {
      if (IdleBefore(last_at, item.at, item.size, options.character_time) > silence)
        silences.Add(tape.BytesOf(*last));
      if (item.side == Side::kHost) turns.Add(tape.BytesOf(*last));
    }
    last = &item;
    last_at = item.at;
  }
  if (last != nullptr && last->side == Side::kModule) silences.Add(tape.BytesOf(*last));
  if (silences.all * 10 < turns.all) return turns.all >= 10 && turns.ended * 10 >= turns.all * 6;
  return silences.all >= 3 && silences.ended * 10 >= silences.all * 9;
}

// One run of the machine over the stretch.
void StudyOnce(const Tape& tape, const SegmenterOptions& options, const Conventions& conventions,
               AnswerStudy& study, FramingTally* framing) {
  SegmentMachine machine(conventions, options, [&](const Slot& slot) {
    const Segment& s = slot.segment;
    if (framing != nullptr && s.kind != SegmentKind::kEcho && !s.bytes.empty())
      framing->Add(s.bytes);
    study.Take(s);
  });
  EchoOrder order(options.stamp_uncertainty, options.character_time);
  order.Follow(conventions, /*any_echo=*/true);
  order.Run(tape, 0, Instant::Never(), [&](const TapeItem& item) { machine.Take(tape, item); });
  machine.Finish();
}

// Learns all but the silence threshold, which is given; if it is none that a person set, answers
// that pause longer make it longer.
void ReadOver(const Tape& tape, const SegmenterOptions& options, const std::vector<Duration>& gaps,
              SilenceHints hints, Conventions& out) {
  out.terminated_replies = ModuleEndsLines(tape, options, out.silence.value);
  // What is learnt in one reading shows more in the next: where an answer is over, and with that
  // what came unasked, and with that what answers really are.
  for (int reading = 0; reading < kReadings; ++reading) {
    const Conventions before = out;
    AnswerStudy study;
    FramingTally framing;
    StudyOnce(tape, options, out, study, reading == 0 ? &framing : nullptr);
    if (reading == 0) out.framing = framing.Best();
    if (!out.both_sides()) return;
    study.Finish(out);
    if (!options.silence && study.PauseInAnswers() > out.silence.value) {
      hints.pause_in_answers = study.PauseInAnswers();
      out.silence = DeriveSilence(gaps, hints);
    }
    if (out == before) return;  // another would show the same again
  }
}

// What one side said between silences, where it ends its answers with result codes.
struct CodedTalk {
  std::size_t spans = 0;
  std::size_t whole = 0;        // with one result code, at the end
  std::vector<Duration> after;  // how long it was silent behind the others

  bool IsWhole() const { return spans >= 3 && whole * 20 >= spans * 19; }
};

CodedTalk CodesOf(const Tape& tape, const SegmenterOptions& options, Duration silence) {
  CodedTalk out;
  Bytes span;
  Instant last;
  const auto end = [&](Duration quiet) {
    ++out.spans;
    std::size_t codes = 0;
    bool at_end = false;
    for (std::size_t at = 0; at < span.size();) {
      const std::size_t stop = std::min(FindLineEnd(span, at), span.size());
      const ByteView line = ByteView(span).substr(at, stop - at);
      if (!line.empty()) {
        at_end = stop < span.size() && v250::IsFinalResultCode(line);
        codes += at_end ? 1u : 0u;
      }
      at = stop + 1;
    }
    if (codes == 1 && at_end)
      ++out.whole;
    else
      out.after.push_back(quiet);
    span.clear();
  };
  for (const TapeItem& item : tape.items) {
    if (item.kind != EventKind::kBytes || item.size == 0) continue;
    const Duration idle = IdleBefore(last, item.at, item.size, options.character_time);
    if (!span.empty() && idle > silence) end(idle);
    span += tape.BytesOf(item);
    last = item.at;
  }
  return out;
}

// Where only the module is heard: a pause that stands before a result code does not separate.
void MindResultCodes(const Tape& tape, const SegmenterOptions& options,
                     const std::vector<Duration>& gaps, SilenceHints hints, Conventions& out) {
  CodedTalk talk = CodesOf(tape, options, out.silence.value);
  if (talk.whole < 3 || talk.IsWhole()) return;
  std::erase_if(talk.after, [](Duration quiet) { return quiet > kLongestPauseBeforeCode; });
  if (talk.after.size() < 3) return;
  std::sort(talk.after.begin(), talk.after.end());
  hints.pause_in_answers = talk.after[(talk.after.size() - 1) * 95 / 100];
  const SilenceThreshold longer = DeriveSilence(gaps, hints);
  if (CodesOf(tape, options, longer.value).IsWhole()) out.silence = longer;
}

// Where gaps were taken for pauses inside answers, but what stands between them are whole blocks:
// they separate.
void MindBlocks(const Tape& tape, const SegmenterOptions& options,
                const std::vector<Duration>& gaps, const SilenceHints& hints, Conventions& out) {
  if (out.terminated_commands) return;
  SilenceThreshold shortest;
  const Duration least = ShortestSilence(hints);
  Duration above = Duration::Max();
  for (const Duration gap : gaps)
    if (gap > std::max(least, kBriefly)) above = std::min(above, gap);
  if (above == Duration::Max() || above >= out.silence.value) return;
  shortest.value = std::max(least, above / 2);
  // With an echo what the module says says nothing of where it would stop.
  const Side side = out.echo ? Side::kHost : Side::kModule;
  const double whole = ShareOfWholeBlocks(tape, options, shortest.value, side);
  if (whole < kNearlyAllBlocks ||
      whole <= ShareOfWholeBlocks(tape, options, out.silence.value, side))
    return;
  shortest.shortest_above = above;
  shortest.why = "blocks follow each other after " + FormatDuration(above) + " and more";
  out.silence = shortest;
}

// Whether it shows in (nearly) every answer when it is complete.
bool ExplainsAnswers(const Conventions& c) { return c.one_line_replies || c.answers_always_end; }

}  // namespace

Conventions LearnConventions(const Tape& tape, const SegmenterOptions& options) {
  Conventions out;
  std::vector<Duration> gaps;
  MeasureTape(tape, options, out, gaps);
  SilenceHints hints;
  hints.character_time = options.character_time;
  hints.stamp_uncertainty = options.stamp_uncertainty;
  hints.one_sided = !out.both_sides();
  if (options.silence) {
    out.silence.value = *options.silence;
    out.silence.set_by_person = true;
    out.silence.why = "as asked for";
  } else {
    out.silence = DeriveSilence(gaps, hints);
    if (out.module_heard && !out.host_heard && !out.unknown_heard)
      MindResultCodes(tape, options, gaps, hints, out);
    if (out.both_sides()) MindBlocks(tape, options, gaps, hints, out);
  }
  Conventions other = out;
  ReadOver(tape, options, gaps, hints, out);
  if (options.silence || !out.both_sides() || ExplainsAnswers(out)) return out;
  std::optional<SilenceThreshold> rival;
  DeriveSilence(gaps, hints, &rival);
  if (!rival) return out;
  // Gaps alone do not tell; what makes sense of the answers does.
  other.silence = *std::move(rival);
  other.silence.why += "; so answers show where they end";
  ReadOver(tape, options, gaps, hints, other);
  return ExplainsAnswers(other) ? other : out;
}

}  // namespace witness
