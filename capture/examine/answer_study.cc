#include "capture/examine/answer_study.h"

#include <algorithm>
#include <cctype>

#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/v250.h"

namespace witness {
namespace {

constexpr std::size_t kMostHeads = 32;
constexpr std::size_t kMostEnds = 16;
constexpr std::size_t kLongestEnd = 64;
// What comes later behind an answer is hardly the rest of it (common practice, no source).
constexpr Duration kLongestRest = Duration::Seconds(1);
// Where one in four answers comes soon, one that takes longer than this, and many times as long, is
// hardly one if it may be unasked (the same).
constexpr Duration kSoon = Duration::Milliseconds(500);
constexpr int kManyTimes = 10;

// An answer that is waited for so long is hardly one (`ask` waits as long by default).
constexpr Duration kLate = Duration::Seconds(2);

bool EndsALine(ByteView bytes) {
  return !bytes.empty() && (bytes.back() == '\r' || bytes.back() == '\n');
}

// Calls `each` with every line that has something in it, with its ending.
template <typename Each>
void ForLines(ByteView bytes, const Each& each) {
  std::size_t at = 0;
  while (at < bytes.size()) {
    const std::size_t start = bytes.find_first_not_of("\r\n", at);
    if (start == ByteView::npos) return;
    const std::size_t end = std::min(FindLineEnd(bytes, start), bytes.size());
    std::size_t stop = std::min(end + 1, bytes.size());
    if (stop < bytes.size() && bytes[end] == '\r' && bytes[stop] == '\n') ++stop;
    each(bytes.substr(start, stop - start));
    at = end;
  }
}

// The first line that has something in it, each number in it as one 0.
Bytes ShapeOf(ByteView text) {
  text = Stripped(text);
  text = text.substr(0, std::min<std::size_t>(FindLineEnd(text, 0), kLongestEnd));
  Bytes out;
  for (const char c : text) {
    const bool digit = c >= '0' && c <= '9';
    if (!digit || out.empty() || out.back() != '0') out += digit ? '0' : c;
  }
  return out;
}

// Nearly each time.
bool GoesOn(std::size_t followed, std::size_t all) {
  return followed >= 3 && followed * 10 >= all * 9;
}

bool IsResultCode(ByteView line) {
  return v250::IsFinalResultCode(Stripped(line)) || v250::NumericResultCode(line) != nullptr;
}

}  // namespace

void AnswerStudy::Take(const Segment& s) {
  if (s.side == Side::kModule && s.kind != SegmentKind::kEcho) {
    if (IsText(s.bytes))
      ++texts_;
    else
      NoteBlock(s);
  }
  switch (s.kind) {
    case SegmentKind::kCommand:
      // Did the one before stay without an answer, its answer may be in the answer before that.
      if (waiting_ > 0 && !answers_.empty()) answers_.back().alone = false;
      if (groups_.empty() || silent_before_) groups_.emplace_back();
      ++groups_.back().commands;
      ++commands_;
      ++waiting_;
      ++since_answer_;
      command_ = Stripped(s.bytes);
      commands_said_.push_back(command_);
      second_came_ = false;
      turn_ = s.turn;
      command_end_ = s.to;
      answered_ = false;
      break;
    case SegmentKind::kEcho:
      if (s.turn != echo_turn_) ++echoes_;
      echo_turn_ = s.turn;
      break;
    case SegmentKind::kReply: {
      // One that an earlier reading has shown to be a late or a second answer.
      const bool known = silent_before_ && s.sure == Sureness::kLikely && s.turn == turn_ &&
                         IsText(s.bytes) && (answered_ || IsLate(s));
      const bool late = known && !answered_;
      if (known) NoteBehind(s, true);
      if (known && !late) break;
      if (s.turn == turn_ && !answered_) {
        NoteFirstWords(s);
        turnarounds_.push_back(std::max(s.from - command_end_, Duration::Zero()));
        answered_ = true;
      }
      if (answers_.empty() || answers_.back().turn != s.turn) {
        Answer answer;
        answer.turn = s.turn;
        answer.command = command_;
        answer.late = late;
        answer.alone = waiting_ <= 1 && !cut_;
        answer.sure_size = 0;
        answer.waited = since_answer_;
        answer.wait = s.from - command_end_;
        since_answer_ = 0;
        answer.group = groups_.empty() ? 0 : groups_.size() - 1;
        answers_.push_back(std::move(answer));
      } else if (s.sure == Sureness::kUnsure && !echo_before_) {
        NoteLines(s, false);
        NoteLater(s);
        waiting_ = 0;
        MayBeRest(s);
        break;
      }
      Answer& answer = answers_.back();
      if (answer.sure_size < answer.bytes.size()) break;  // behind what is unsure
      if (waiting_ > 0 && EndsALine(answer.bytes) && answer.before_next == 0)
        answer.before_next = answer.bytes.size();
      answer.bytes += s.bytes;
      answer.sure_size = answer.bytes.size();
      answer.end = later_end_ = s.to;
      answer.text = answer.text && IsText(s.bytes);
      waiting_ = 0;
      cut_ = s.ended_by == EndedBy::kOtherSide;
      break;
    }
    case SegmentKind::kUnsolicited:
      NoteLater(s);
      if (silent_before_ && answered_ && !second_came_ && !answers_.empty() &&
          answers_.back().turn == turn_ && answers_.back().waited == 1 &&
          s.from - answers_.back().end <= kLongestRest)
        MayBeRest(s);
      else
        NoteElsewhere(s);
      // In the middle of talk it may be the rest of an answer, unless that was complete.
      if (silent_before_ || before_ended_by_ == EndedBy::kFraming)
        NoteLines(s, s.sure != Sureness::kUnsure);
      else if (s.turn != 0 || s.ended_by == EndedBy::kLineEnding)
        ++cut_out_[SortOf(Stripped(s.bytes))];
      break;
    case SegmentKind::kBanner:
      if (commands_ == 0 && banner_head_.empty()) banner_head_ = BannerHeadOf(Stripped(s.bytes));
      if (!answered_) NoteFirstWords(s);
      NoteElsewhere(s);
      break;
    default:
      break;
  }
  silent_before_ = s.kind == SegmentKind::kSilence;
  echo_before_ = s.kind == SegmentKind::kEcho;
  if (!silent_before_) before_ended_by_ = s.ended_by;
}

void AnswerStudy::NoteBlock(const Segment& s) {
  const bool first = s.kind == SegmentKind::kReply && s.turn != block_turn_;
  if (first) {
    block_turn_ = s.turn;
    block_answers_.push_back({s.bytes.substr(0, kMarkWithin), 0});
  } else if (!block_answers_.empty()) {
    ++block_answers_.back().behind;
  }
  blocks_.push_back({s.bytes.substr(0, kMarkWithin), first, s.kind == SegmentKind::kReply});
}

AnswerStudy::Marks AnswerStudy::MarksAt(std::size_t at, ByteView unasked) const {
  Marks out;
  bool answer_due = false;
  for (const Block& block : blocks_) {
    answer_due = answer_due || block.first;
    if (block.head.size() <= at) continue;
    const char value = block.head[at];
    const bool first = answer_due && unasked.find(value) == ByteView::npos;
    answer_due = answer_due && !first;
    Mark& mark = out[value];
    ++(first ? mark.first : mark.later);
    mark.surely += block.reply ? 0u : 1u;
  }
  return out;
}

bool AnswerStudy::FollowAtTimes(std::size_t at) const {
  struct Count {
    std::size_t followed = 0, alone = 0;
  };
  std::map<char, Count> kinds;
  for (const BlockAnswer& answer : block_answers_) {
    if (answer.head.size() <= at) continue;
    Count& count = kinds[answer.head[at]];
    ++(answer.behind > 0 ? count.followed : count.alone);
  }
  std::size_t at_times = 0, always = 0;
  for (const auto& [value, count] : kinds) {
    if (count.followed > 0 && count.alone > 0) ++at_times;
    if (count.followed >= 3 && count.alone == 0) ++always;
  }
  return at_times >= 3 && at_times >= always * 3;
}

void AnswerStudy::FindMarks(Conventions& out) const {
  out.unasked_marks.clear();
  // What stands behind most answers, and once, is their second part.
  const auto once = static_cast<std::size_t>(
      std::count_if(block_answers_.begin(), block_answers_.end(),
                    [](const BlockAnswer& answer) { return answer.behind == 1; }));
  if (block_answers_.size() < 3 || once * 10 >= block_answers_.size() * 7) return;
  for (std::size_t at = 0; at < kMarkWithin; ++at) {
    Marks marks = MarksAt(at, {});
    Bytes unasked;
    for (const auto& [value, mark] : marks)
      if (mark.IsUnasked()) unasked += value;
    if (unasked.empty()) continue;
    marks = MarksAt(at, unasked);
    unasked.clear();
    std::size_t all = 0, told = 0, surely = 0, later = 0, first = 0;
    bool any_asked = false;
    for (const auto& [value, mark] : marks) {
      const std::size_t n = mark.first + mark.later;
      all += n;
      first += mark.first;
      later += mark.later;
      told += mark.IsUnasked() || mark.IsAsked() ? n : 0u;
      any_asked = any_asked || mark.IsAsked();
      if (!mark.IsUnasked()) continue;
      unasked += value;
      surely += mark.surely;
    }
    if (told * 10 < all * 9 || (surely < 3 && !FollowAtTimes(at)) ||
        (!any_asked && later < first * 2))
      continue;
    out.mark_at = at;
    out.unasked_marks = unasked;
    // Where it shows in that place, this goes for what came more seldom, too.
    for (const auto& [value, mark] : marks)
      if (mark.first == 0 && !mark.IsUnasked()) out.unasked_marks += value;
    return;
  }
}

void AnswerStudy::MayBeRest(const Segment& s) {
  Answer& answer = answers_.back();
  if (answer.sure_size == answer.bytes.size())
    answer.pause = s.from - answer.end;
  else
    NoteElsewhere(s);
  answer.bytes += s.bytes;
}

void AnswerStudy::NoteElsewhere(const Segment& s) {
  if (IsText(s.bytes)) ++elsewhere_[ShapeOf(s.bytes)];
}

void AnswerStudy::NoteLines(const Segment& segment, bool sure) {
  if (!IsText(segment.bytes)) return;
  NoteBehind(segment, answered_ || (!sure && IsLate(segment)));
  ForLines(segment.bytes, [&](ByteView line) {
    if (!EndsALine(line) || IsResultCode(line)) return;
    const Bytes sort = SortOf(line);
    const bool named = sort.size() == 2 && std::isalpha(static_cast<unsigned char>(sort[0])) != 0 &&
                       std::ispunct(static_cast<unsigned char>(sort[1])) != 0;
    if (sort.size() < 3 && !named) return;
    Head& head = heads_[sort];
    if (sure) {
      ++head.unasked;
    } else {
      ++head.maybe;
      head.behind.insert(command_);
    }
  });
}

void AnswerStudy::NoteLater(const Segment& segment) {
  if (!answered_ || answers_.empty() || answers_.back().turn != turn_ || !silent_before_ ||
      !IsText(segment.bytes))
    return;
  answers_.back().later.push_back({segment.bytes, segment.from - later_end_});
  later_end_ = segment.to;
}

std::size_t AnswerStudy::CountLater(const Answer& answer, const Ends& ends) {
  const auto holds = [](const std::vector<Bytes>& lines, ByteView line) {
    return std::find(lines.begin(), lines.end(), line) != lines.end();
  };
  if (!holds(ends.ended_later, LastLineWithEnding(answer.View()))) return 0;
  const auto end = std::find_if(answer.later.begin(), answer.later.end(), [&](const Later& later) {
    return holds(ends.lines, LastLineWithEnding(later.bytes));
  });
  return end == answer.later.end() ? 0 : static_cast<std::size_t>(end - answer.later.begin()) + 1;
}

void AnswerStudy::NoteFirstWords(const Segment& segment) {
  const ByteView text = Stripped(segment.bytes);
  const Duration wait = segment.from - command_end_;
  if (banner_head_.empty() || CountLines(text) < 2 || BannerHeadOf(text) != banner_head_)
    longest_turnaround_ = std::max(longest_turnaround_, wait);
  else
    soonest_restart_ = std::min(soonest_restart_.value_or(wait), wait);
}

bool AnswerStudy::IsLate(const Segment& segment) const {
  return segment.from - command_end_ >= kLate;
}

void AnswerStudy::NoteBehind(const Segment& segment, bool answers) {
  // What comes again and again is no second answer.
  const Bytes command = answers && !second_came_ ? ValueSortOf(command_) : Bytes();
  Behind& behind = behind_[ValueSortOf(segment.bytes)][command];
  ++(answered_ ? behind.second : behind.late);
  second_came_ = true;
}

std::vector<const AnswerStudy::Answer*> AnswerStudy::TextAnswers() const {
  std::vector<const Answer*> out;
  for (const Answer& answer : answers_) {
    // Of one that holds a block of binary, its last line may be text.
    const ByteView end = LastLineWithEnding(answer.View());
    if (answer.text || (EndsALine(end) && IsText(end))) out.push_back(&answer);
  }
  return out;
}

AnswerStudy::Ends AnswerStudy::FindEnds(const std::vector<const Answer*>& answers,
                                        bool with_rest) const {
  struct Count {
    std::size_t all = 0, alone = 0, inside = 0, followed = 0;
  };
  std::map<ByteView, Count> last;
  std::size_t alone = 0;
  for (const Answer* answer : answers) {
    alone += answer->alone ? 1u : 0u;
    const ByteView end = LastLineWithEnding(answer->View(with_rest && HasRest(*answer)));
    if (end.empty() || end.size() > kLongestEnd) continue;
    // A prompt stands for itself; a word without an ending may go on.
    if (!EndsALine(end)) {
      const std::size_t mark = end.find_last_not_of(' ');
      if (mark == ByteView::npos || std::isalnum(static_cast<unsigned char>(end[mark])) != 0)
        continue;
    }
    Count& count = last[end];
    ++count.all;
    // The same again behind a pause: a sign of life ("...."), and no end.
    if (!EndsALine(end) && ByteView(answer->bytes).substr(answer->View().size()).starts_with(end))
      ++count.inside;
    count.alone += answer->alone ? 1u : 0u;
    count.followed += HasRest(*answer) ? 1u : 0u;
  }
  Ends out;
  // "BUSY", and what others end with comes nearly each time before the next command: not the end.
  struct LaterEnds {
    std::size_t all = 0, ended = 0, coded = 0;
  };
  std::map<ByteView, LaterEnds> later;
  for (const Answer* answer : answers) {
    const ByteView end = LastLineWithEnding(answer->View());
    LaterEnds& count = later[end];
    ++count.all;
    for (const Later& one : answer->later) {
      const auto known = last.find(LastLineWithEnding(one.bytes));
      if (known == last.end() || known->first == end || known->second.all < 2) continue;
      ++count.ended;
      // There is one to each command (V.250 5.7).
      count.coded += IsResultCode(known->first) && !IsResultCode(end) ? 1u : 0u;
      break;
    }
  }
  for (const auto& [end, count] : later) {
    if (!EndsALine(end) || (!GoesOn(count.ended, count.all) && count.coded < count.all)) continue;
    out.ended_later.emplace_back(end);
    last.erase(end);
  }
  std::vector<std::pair<ByteView, Count*>> prompts;
  for (auto at = last.begin(); at != last.end();) {
    // "WAIT", and always something behind it: not the end.
    const bool goes_on = !with_rest && GoesOn(at->second.followed, at->second.all);
    if (goes_on) out.go_on.emplace_back(at->first);
    at = goes_on || at->second.all < 2 ? last.erase(at) : std::next(at);
  }
  for (auto& [end, count] : last)
    if (!EndsALine(end)) prompts.emplace_back(end, &count);
  for (const Answer* answer : answers) {
    if (!answer->alone) continue;
    const ByteView bytes = answer->View(with_rest && HasRest(*answer));
    const ByteView end = LastLineWithEnding(bytes);
    const std::size_t end_at =
        end.empty() ? bytes.size() : static_cast<std::size_t>(end.data() - bytes.data());
    ForLines(bytes, [&](ByteView line) {
      const bool is_last = static_cast<std::size_t>(line.data() - bytes.data()) >= end_at;
      const auto known = last.find(line);
      if (known != last.end()) known->second.inside += is_last ? 0u : 1u;
      for (const auto& [prompt, count] : prompts) {
        if (prompt == line || line.substr(0, prompt.size()) != prompt) continue;
        // What a prompt would cut; it should, where an unasked line follows it at once.
        if (is_last && heads_.count(SortOf(line.substr(prompt.size()))) > 0) {
          ++count->all;
          ++count->alone;
        } else {
          ++count->inside;
        }
      }
    });
  }
  std::size_t in_all = 0, in_alone = 0;
  for (const Answer* answer : answers) {
    const ByteView end = LastLineWithEnding(answer->View());
    const bool goes_on =
        std::find(out.ended_later.begin(), out.ended_later.end(), end) != out.ended_later.end();
    const bool ends = std::any_of(
        answer->later.begin(), answer->later.end(),
        [&](const Later& one) { return last.count(LastLineWithEnding(one.bytes)) > 0; });
    if (!goes_on || !ends) continue;
    ++in_all;
    in_alone += answer->alone ? 1u : 0u;
  }
  for (const auto& [line, count] : last) {
    if (count.inside * 20 > count.all || out.lines.size() >= kMostEnds) continue;
    out.lines.emplace_back(line);
    in_all += count.all;
    in_alone += count.alone;
  }
  const bool enough = (answers.size() >= 3 && in_all * 10 >= answers.size() * 6) ||
                      (alone >= 3 && in_alone * 10 >= alone * 6);
  if (!enough) out.lines.clear();
  return out;
}

// Behind an answer came, soon and as nothing else did, what may be the rest of it.
bool AnswerStudy::HasRest(const Answer& answer) const {
  const ByteView rest = ByteView(answer.bytes).substr(answer.sure_size);
  if (answer.sure_size == 0 || Stripped(rest).empty() || !IsText(rest)) return false;
  if (Stripped(rest) == "RING") return false;  // V.250 table 1: nobody asks for it
  const auto elsewhere = elsewhere_.find(ShapeOf(rest));
  return elsewhere == elsewhere_.end() || elsewhere->second * 10 <= answers_.size();
}

std::size_t AnswerStudy::AskedFor(const Bytes& sort, const Ends& ends, std::size_t unasked) const {
  struct Count {
    std::size_t alone = 0;   // nothing else in the answer
    std::size_t before = 0;  // nothing else but what answers end with
    std::size_t all = 0;
  };
  std::map<ByteView, Count> commands;
  for (const Answer& answer : answers_) {
    if (!answer.text || answer.wait > latest_) continue;
    bool only = true, end = false;
    std::size_t lines = 0;
    ForLines(answer.View(), [&](ByteView line) {
      if (IsResultCode(line) ||
          std::find(ends.lines.begin(), ends.lines.end(), line) != ends.lines.end()) {
        end = true;
        return;
      }
      ++lines;
      only = only && SortOf(line) == sort;
    });
    Count& count = commands[answer.command];
    ++count.all;
    if (only && lines > 0) ++(end ? count.before : count.alone);
  }
  std::size_t out = 0, distinct = 0, once = 0;
  for (const auto& [command, count] : commands) {
    out += count.alone;
    if (count.before == 0) continue;
    ++distinct;
    if (count.before == count.all) (count.all >= 2 ? out : once) += count.before;
  }
  // A sort of line that comes before the end of many different answers belongs to none of them, but
  // where it hardly comes otherwise.
  return distinct <= 2 || once >= unasked * 8 ? out + once : out;
}

bool AnswerStudy::OneLineEach() {
  for (const Answer& answer : answers_) {
    if (!answer.text || groups_.empty()) return false;
    ForLines(answer.View(), [&](ByteView line) {
      if (heads_.empty() || heads_.count(SortOf(line)) == 0) ++groups_[answer.group].lines;
    });
  }
  std::size_t groups = 0, good = 0;
  for (const Group& group : groups_) {
    if (group.lines == 0) continue;
    ++groups;
    if (group.lines <= group.commands) ++good;  // fewer: a command went without an answer
  }
  return groups > 0 && good * 10 >= groups * 9;
}

bool AnswerStudy::OneOfSeveral() const {
  std::size_t one = 0;
  for (const Answer& answer : answers_) {
    if (answer.waited == 1) continue;
    // What comes behind another answer at once is for a command that waited on.
    if (answer.waited == 0 || CountLines(answer.View()) != 1) return false;
    ++one;
  }
  return one >= 3;
}

bool AnswerStudy::StandsInAnswers(const Bytes& sort) const {
  std::set<ByteView> commands;
  for (const Answer& answer : answers_) {
    bool there = false, others = false;
    ForLines(answer.View(), [&](ByteView line) { (SortOf(line) == sort ? there : others) = true; });
    if (there && others) commands.insert(answer.command);
  }
  return commands.size() >= 2;
}

std::map<Bytes, std::size_t> AnswerStudy::FindMisnamed(const std::vector<Bytes>& known) const {
  struct Count {
    std::size_t answers = 0;
    std::set<Bytes> commands;  // sorts
  };
  std::map<Bytes, Count> sorts;
  std::vector<const Answer*> good_ones;
  std::size_t read = 0, read_named = 0;  // answers with such lines to AT+NAME?
  for (const Answer& answer : answers_) {
    const ByteView command = answer.command;
    if (!answer.text || command.size() < 2) continue;
    bool good = false, named = false;
    std::set<Bytes> others;
    ForLines(answer.View(), [&](ByteView line) {
      const ByteView head = HeadOf(line);
      if (IsResultCode(line)) {
        good = line.find("ERROR") == ByteView::npos;  // that may come with its reason
      } else if (EndsALine(line) && head.size() >= 3 && head[0] == '+' && head.back() == ':') {
        if (command.find(NameOf(head)) != ByteView::npos)
          named = true;
        else
          others.insert(SortOf(line));
      }
    });
    if (!good) continue;
    good_ones.push_back(&answer);
    if (command.back() == '?' && (named || !others.empty())) {
      ++read;
      read_named += named ? 1u : 0u;
    }
    for (const Bytes& sort : others) {
      ++sorts[sort].answers;
      sorts[sort].commands.insert(SortOf(command));
    }
  }
  std::map<Bytes, std::size_t> answers_to;  // sorts of commands
  if (!sorts.empty())
    for (const Answer* answer : good_ones) ++answers_to[SortOf(answer->command)];
  std::map<Bytes, std::size_t> out;
  if (read_named < 3 || read_named * 10 < read * 9) return out;
  for (const auto& [sort, count] : sorts) {
    std::size_t all = 0;
    for (const Bytes& command : count.commands) all += answers_to[command];
    if (count.commands.size() >= 2 || count.answers * 2 <= all) out[sort] = count.answers;
  }
  for (const Bytes& sort : known) {
    const auto cut = cut_out_.find(sort);
    if (cut != cut_out_.end() && sort[0] == '+' && sort.back() == ':') out[sort] += cut->second;
  }
  return out;
}

void AnswerStudy::FindHeads(const Ends& ends, std::size_t least, std::vector<Bytes>& out) const {
  const std::map<Bytes, std::size_t> inside = FindMisnamed(out);
  out.clear();
  const auto add = [&](const Bytes& sort, std::size_t unasked) {
    const ByteView name = NameOf(HeadOf(sort));
    std::size_t named = 0;
    for (const Answer& answer : answers_)
      if (answer.command.find(name) != Bytes::npos && answer.View().find(name) != ByteView::npos)
        ++named;
    if (named > unasked || AskedFor(sort, ends, unasked) > unasked) return;
    const bool an_end = std::any_of(ends.lines.begin(), ends.lines.end(), [&](const Bytes& line) {
      return SortOf(Stripped(line)) == sort;
    });
    if (!an_end && out.size() < kMostHeads) out.push_back(sort);
  };
  for (const auto& [sort, head] : heads_) {
    if (head.unasked + head.maybe < least) continue;
    const bool repeated =
        head.maybe > 0 && ((head.maybe >= 2 && head.behind.size() >= 2) || StandsInAnswers(sort));
    if ((head.unasked > 0 || repeated) && inside.count(sort) == 0)
      add(sort, head.unasked + head.maybe);
  }
  for (const auto& [sort, answers] : inside) {
    const auto head = heads_.find(sort);
    add(sort, answers + (head == heads_.end() ? 0 : head->second.unasked + head->second.maybe));
  }
}

void AnswerStudy::FindFirstCharacters(std::vector<Bytes>& heads) const {
  struct Count {
    std::size_t sorts = 0, unasked = 0, numbered = 0, in_answers = 0;
    bool answers = false;  // on its own
  };
  std::map<char, Count> characters;
  for (const auto& [sort, head] : heads_) {
    if (head.unasked + head.maybe == 0) continue;
    Count& count = characters[sort[0]];
    ++count.sorts;
    count.unasked += head.unasked + head.maybe;
    count.numbered += sort[1] == '0' ? 1u : 0u;
  }
  for (const Answer& answer : answers_) {
    std::size_t lines = 0;
    char last = 0;
    ForLines(answer.View(), [&](ByteView line) {
      ++lines;
      last = line[0];
      const auto count = characters.find(last);
      if (count != characters.end()) ++count->second.in_answers;
    });
    const auto count = characters.find(last);
    if (lines == 1 && count != characters.end()) count->second.answers = true;
  }
  for (const auto& [c, count] : characters) {
    const bool letter = std::isalpha(static_cast<unsigned char>(c)) != 0;
    const bool can_be = letter ? count.numbered == count.sorts : CanBeMark(c) && c != '+';
    if (!can_be || count.sorts < 4 || count.answers || count.in_answers * 2 > count.unasked)
      continue;
    std::erase_if(heads, [first = c](const Bytes& head) { return head[0] == first; });
    heads.emplace_back(1, c);
  }
}

void AnswerStudy::FindSecondAnswers(std::vector<Conventions::SecondAnswer>& out) const {
  out.clear();
  if (behind_.empty()) return;
  struct Count {
    std::size_t answered = 0;
    std::map<Bytes, std::size_t> alone;  // answers of one line, by its sort
    // Lines that come behind such commands, and hardly behind others, by sort.
    std::map<Bytes, Behind> lines;
    std::size_t second = 0, late = 0;  // of these lines, such as came more than once
  };
  std::map<Bytes, std::size_t> said;  // how often, by the command's sort
  for (const Bytes& command : commands_said_) ++said[ValueSortOf(command)];
  std::map<Bytes, Count> commands;
  std::map<Bytes, std::set<Bytes>> stands;  // lines of answers: to which commands
  for (const Answer& answer : answers_) {
    if (answer.late) continue;
    const Bytes command = ValueSortOf(answer.command);
    Count& count = commands[command];
    ++count.answered;
    Bytes sort;
    std::size_t lines = 0;
    ForLines(answer.View(), [&](ByteView line) {
      ++lines;
      sort = ValueSortOf(line);
      stands[sort].insert(command);
    });
    if (lines == 1) ++count.alone[sort];
  }
  for (const auto& [line, behind] : behind_) {
    if (line.empty() || (line.size() < 2 && line != "0")) continue;
    const std::pair<const Bytes, Behind>* most = nullptr;
    std::size_t all = 0;
    for (const auto& one : behind) {
      all += one.second.all();
      if (most == nullptr || one.second.all() > most->second.all()) most = &one;
    }
    if (most->first.empty() || most->second.all() * 10 < all * 9) continue;
    Count& count = commands[most->first];
    count.lines[line] = most->second;
    if (most->second.second > 1) count.second += most->second.second;
    if (most->second.late > 1) count.late += most->second.late;
  }
  for (const auto& [command, count] : commands) {
    for (const auto& [line, behind] : count.lines) {
      if (out.size() >= kMostHeads) return;
      const auto there = stands.find(line);
      const bool elsewhere = there != stands.end() && there->second != std::set<Bytes>{command};
      if (elsewhere) continue;
      // Behind nearly each such command. How it ends may differ: what came once fills a gap.
      const std::size_t second = count.second + (behind.second == 1 && count.second >= 4 ? 1u : 0u);
      if (behind.second > behind.late && second >= 2 && second * 10 + 9 >= count.answered * 9) {
        // Often enough, and there were enough other commands that it did not follow.
        out.push_back({command, line, second >= 4 && answers_.size() >= count.answered + 4});
        continue;
      }
      // As the only answer to nearly each that was not answered otherwise.
      const auto alone = count.alone.find(line);
      const std::size_t soon = alone == count.alone.end() ? 0 : alone->second;
      const auto of_all = said.find(command);
      const std::size_t asked = of_all == said.end() ? 0 : of_all->second;
      const std::size_t others = std::min(asked, count.answered - soon);
      const std::size_t late = behind.late + soon;
      if (behind.late < 2 || late > asked - others || late * 10 + 9 < (asked - others) * 9)
        continue;
      out.push_back({command, line, late >= 4 && commands_ >= asked + 4});
    }
  }
}

char AnswerStudy::FindMark(const std::vector<const Answer*>& answers) const {
  std::map<char, std::size_t> last;
  for (const Answer* answer : answers)
    if (!answer->View().empty()) ++last[answer->View().back()];
  for (const auto& [c, n] : last) {
    if (n < 4 || n * 100 < answers.size() * 97 || !CanBeMark(c)) continue;
    std::size_t inside = 0;
    for (const Answer* answer : answers)
      inside += answer->alone && answer->View().find(c) + 1 < answer->View().size() ? 1u : 0u;
    return inside * 20 <= answers.size() ? c : '\0';
  }
  return '\0';
}

void AnswerStudy::Finish(Conventions& out) {
  if (waiting_ > 0 && !answers_.empty()) answers_.back().alone = false;
  const auto texts = TextAnswers();
  // What came behind an answer after a silence may be its end, if answers do not end without it;
  // surely if it is a result code.
  const auto count_codes = [&](bool with_rest) {
    return static_cast<std::size_t>(
        std::count_if(texts.begin(), texts.end(), [&](const Answer* answer) {
          const ByteView line = LastLineWithEnding(answer->View(with_rest));
          return EndsALine(line) && IsResultCode(line);
        }));
  };
  std::size_t coded = count_codes(false);
  const std::size_t coded_with_rest = count_codes(true);
  const bool codes_follow = coded * 2 < texts.size() && coded_with_rest * 2 >= texts.size();
  Ends ends = FindEnds(texts, codes_follow);
  if (codes_follow) coded = coded_with_rest;
  if (!codes_follow && ends.lines.empty() && coded * 2 < texts.size())
    ends.lines = FindEnds(texts, true).lines;
  const auto is_end = [&](ByteView line) {
    return (EndsALine(line) && IsResultCode(line)) ||
           std::find(ends.lines.begin(), ends.lines.end(), line) != ends.lines.end();
  };
  for (const Answer* answer : texts) {
    const ByteView line = LastLineWithEnding(answer->View());
    const bool goes_on = std::find(ends.go_on.begin(), ends.go_on.end(), line) != ends.go_on.end();
    if (goes_on && HasRest(*answer)) pauses_.push_back(answer->pause);
  }
  std::size_t ended = 0, finals = 0;
  // Answers that end, and whether only with what came behind another command.
  std::vector<std::pair<const Answer*, bool>> whole;
  bool any_broken = false;
  for (const Answer* answer : texts) {
    const std::size_t more = CountLater(*answer, ends);
    for (std::size_t i = 0; i < more; ++i) {
      const Later& later = answer->later[i];
      pauses_.push_back(later.pause);
      longest_pause_ = std::max(longest_pause_, later.pause);
      ForLines(later.bytes, [&](ByteView line) {
        const auto head = heads_.find(SortOf(line));
        if (head == heads_.end()) return;
        std::size_t& count = head->second.unasked > 0 ? head->second.unasked : head->second.maybe;
        if (count > 0) --count;
      });
    }
    if (more > 0) {
      ++ended;
      ++finals;
      continue;
    }
    const bool sure = is_end(LastLineWithEnding(answer->View()));
    if (sure) {
      const std::size_t before = answer->before_next;
      const bool broken =
          before > 0 && !is_end(LastLineWithEnding(answer->View().substr(0, before)));
      whole.emplace_back(answer, broken);
      any_broken = any_broken || broken;
    }
    const bool unsure = !sure && HasRest(*answer) && is_end(LastLineWithEnding(answer->View(true)));
    ended += EndsALine(answer->View(unsure)) ? 1u : 0u;
    finals += sure || unsure ? 1u : 0u;
    if (unsure) pauses_.push_back(answer->pause);
  }
  // Those to some sort of command always do take on what answers another.
  std::map<Bytes, std::pair<int, int>> ends_with_next;
  for (std::size_t i = 0; any_broken && i < whole.size(); ++i) {
    auto& [broken, all] = ends_with_next[ValueSortOf(whole[i].first->command)];
    broken += whole[i].second ? 1 : 0;
    ++all;
  }
  const bool taken_on =
      std::any_of(ends_with_next.begin(), ends_with_next.end(), [](const auto& command) {
        const auto [broken, all] = command.second;
        return broken >= 3 && broken == all;
      });
  // The response to a Modbus write repeats the request (V1.1b3 clause 6.5), an echo does to all.
  const bool modbus = out.framing == Framing::kModbusRtu || out.framing == Framing::kModbusAscii;
  out.echo = echoes_ > 0 && echoes_ * 10 >= commands_ * (modbus ? 9u : 3u);
  out.result_codes = coded > 0 && coded * 10 >= texts.size() * 5;
  out.answer_ends = ends.lines;
  out.answer_mark = FindMark(texts);
  out.answers_always_end = out.answer_mark != 0 || ((out.result_codes || !ends.lines.empty()) &&
                                                    finals * 100 >= texts.size() * 97 && !taken_on);
  out.one_line_replies = OneLineEach() && ended * 10 >= answers_.size() * 9;
  out.one_of_several = out.one_line_replies && !out.echo && OneOfSeveral();
  if (!turnarounds_.empty()) {
    std::sort(turnarounds_.begin(), turnarounds_.end());
    out.usual_turnaround =
        std::min(turnarounds_[(turnarounds_.size() - 1) * 95 / 100], kLongestUsualTurnaround);
    latest_ = std::max(turnarounds_[(turnarounds_.size() - 1) / 4] * kManyTimes, kSoon);
  }
  const bool restarts =
      soonest_restart_ && *soonest_restart_ > std::max(kSoon, longest_turnaround_ * 2);
  out.restart_head = restarts ? banner_head_ : Bytes();
  // Blocks are text by chance, but hardly the same one twice.
  const bool mostly_blocks = !out.terminated_commands && blocks_.size() > texts_;
  FindHeads(ends, mostly_blocks ? 2 : 1, out.unasked_heads);
  if (!mostly_blocks) FindFirstCharacters(out.unasked_heads);
  FindMarks(out);
  out.second_answers.clear();
  // Behind its result code a V.250 module says nothing but what nobody asked for (clause 5.7).
  if (!out.result_codes) FindSecondAnswers(out.second_answers);
  for (const auto& second : out.second_answers)
    std::erase_if(out.unasked_heads, [&](const Bytes& head) {
      return head == second.line || ValueSortOf(head) == second.line;
    });
}

Duration AnswerStudy::PauseInAnswers() const {
  if (pauses_.size() < 2) return longest_pause_;
  std::vector<Duration> sorted = pauses_;
  std::sort(sorted.begin(), sorted.end());
  return std::max(longest_pause_, sorted[(sorted.size() - 1) * 95 / 100]);
}

}  // namespace witness
