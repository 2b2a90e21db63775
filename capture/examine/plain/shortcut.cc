#include "capture/examine/plain/shortcut.h"

#include <algorithm>

namespace witness {
namespace {

constexpr std::size_t kMostEvents = 4096;              // of one side's run
constexpr std::size_t kMostBytes = 64 << 10;           // the same
constexpr Duration kUsualWait = Duration::Seconds(2);  // less than what makes an answer a late one

// Of events that follow each other.
std::size_t BytesOf(const BriefEvent& first, const BriefEvent& last) {
  return static_cast<std::size_t>(last.data + last.size - first.data);
}

Shortcut::Way WayOf(const Conventions& conventions, const SegmenterOptions& options) {
  if (options.framing || conventions.unknown_heard || conventions.echo || conventions.lf_cr ||
      conventions.bare_echo != BareEcho::kNone || conventions.command_mark != 0 ||
      conventions.answer_mark != 0 || !conventions.second_answers.empty() ||
      !conventions.unasked_marks.empty() || options.max_segment <= kMostBytes * 2)
    return Shortcut::Way::kNone;
  if (TextShapes::Fit(conventions)) return Shortcut::Way::kText;
  if (PlainBlocks::Fit(conventions)) return Shortcut::Way::kBlocks;
  if (SentenceShapes::Fit(conventions)) return Shortcut::Way::kSentences;
  return Shortcut::Way::kNone;
}

}  // namespace

Shortcut::Shortcut(const Conventions& conventions, const SegmenterOptions& options)
    : silence_(conventions.silence.value.ns()),
      character_time_(options.character_time.ns()),
      way_(WayOf(conventions, options)),
      texts_(conventions, options),
      blocks_(conventions) {}

template <bool kBlocks>
inline bool Shortcut::IsExchange(const BriefEvent* command, const BriefEvent* answer,
                                 const BriefEvent* next, Instant before, bool loose_returns,
                                 PlainExchange& e) {
  const std::int64_t asked = answer[-1].at.ns();
  // The bytes of events follow each other.
  const auto size = static_cast<std::size_t>(answer->data - command->data);
  const auto both = static_cast<std::size_t>(next->data - command->data);
  if (answer->side != Side::kModule || next->side != Side::kHost || both > kMostBytes ||
      answer->at.ns() - asked >= kUsualWait.ns())
    return false;
  e.silent_before = Idle(before, *command) > silence_;
  e.silent_between = Idle(answer[-1].at, *answer) > silence_;
  // An answer that comes while the command is still on its way is more of the one before.
  if (character_time_ > 0 && !e.silent_before && !e.silent_between &&
      Idle(before, *answer) * 2 < character_time_ * command->size)
    return false;
  const auto narrow = [](auto number) { return static_cast<std::uint32_t>(number); };
  e.command = {command, narrow(answer - command), narrow(size)};
  e.answer = {answer, narrow(next - answer), narrow(both - size)};
  if constexpr (kBlocks)
    return blocks_.Look(static_cast<std::size_t>(command->data - bytes_from_), loose_returns, e);
  TextShapes::Known* const known = texts_.Find({command->data, both}, size);
  if (known == nullptr) return false;
  e.command_text = e.command.size;
  e.answer_text = e.answer.size;
  e.command_content = &known->command;
  e.answer_content = &known->answer;
  e.history = &known->history;
  return true;
}

template <bool kBlocks>
std::size_t Shortcut::FillRow(Instant before, bool loose_returns, PlainRow& row) {
  const std::span<const BriefEvent* const> begins = runs_.begins();
  // What follows must have begun, too.
  std::size_t at = 0;
  for (; at + 2 < begins.size() && !row.full(); at += 2) {
    PlainExchange& next = row.next();
    if (!IsExchange<kBlocks>(begins[at], begins[at + 1], begins[at + 2], before, loose_returns,
                             next))
      break;
    before = next.answer.to();
    row.Add();
  }
  return at;
}

Shortcut::Look Shortcut::ExchangesAt(std::span<const BriefEvent> events, std::size_t begin,
                                     Instant before, const Allowed& allowed, PlainRow& row) {
  if (begin == events.size()) return Look::kMore;
  if (events[begin].side != Side::kHost || events[begin].at <= before) return Look::kNot;
  runs_.Find(events, begin, silence_);
  bytes_from_ = events.front().data;
  const std::size_t taken = way_ == Way::kBlocks ? FillRow<true>(before, allowed.loose_returns, row)
                                                 : FillRow<false>(before, false, row);
  const std::span<const BriefEvent* const> begins = runs_.begins();
  if (row.full()) return Look::kPlain;
  if (taken + 2 < begins.size() || runs_.stopped()) return Look::kNot;
  if (!runs_.to_end()) return Look::kPlain;
  // The last goes on, perhaps.
  const BriefEvent* const end = events.data() + events.size();
  const bool too_long = static_cast<std::size_t>(end - begins.back()) > kMostEvents ||
                        BytesOf(*begins.back(), end[-1]) > kMostBytes;
  return too_long ? Look::kNot : Look::kMore;
}

Shortcut::Look Shortcut::SentencesAt(std::span<const BriefEvent> events, std::size_t begin,
                                     Instant before, const Allowed& allowed, Burst& burst) {
  if (begin == events.size()) return Look::kMore;
  const BriefEvent& first = events[begin];
  if (first.side != Side::kModule || first.at <= before || Idle(before, first) <= silence_)
    return Look::kNot;
  burst.begin = begin;
  burst.end = EndOfRun(events, begin, silence_);
  if (burst.end == 0) return Look::kNot;
  const std::size_t count = burst.end - begin, size = BytesOf(first, events[burst.end - 1]);
  if (count > kMostEvents || size > kMostBytes) return Look::kNot;
  if (burst.end == events.size()) return Look::kMore;
  const BriefEvent& next = events[burst.end];
  if (next.side != Side::kModule || next.kind != EventKind::kBytes) return Look::kNot;
  burst.said = {&first, static_cast<std::uint32_t>(count), static_cast<std::uint32_t>(size)};
  return sentences_.Find(burst.said.bytes(), allowed.secrets, burst.sentences) ? Look::kPlain
                                                                               : Look::kNot;
}

}  // namespace witness
