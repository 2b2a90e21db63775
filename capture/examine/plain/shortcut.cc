#include "capture/examine/plain/shortcut.h"

namespace witness {
namespace {

constexpr std::ptrdiff_t kMostEvents = 4096;           // of one side's run
constexpr std::ptrdiff_t kMostBytes = 64 << 10;        // the same
constexpr Duration kUsualWait = Duration::Seconds(2);  // less than what makes an answer a late one

Shortcut::Way WayOf(const Conventions& conventions, const SegmenterOptions& options) {
  if (options.framing || conventions.unknown_heard || conventions.echo || conventions.lf_cr ||
      conventions.bare_echo != BareEcho::kNone || conventions.command_mark != 0 ||
      conventions.answer_mark != 0 || !conventions.second_answers.empty() ||
      !conventions.unasked_marks.empty() || options.max_segment <= std::size_t{kMostBytes} * 2)
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

inline std::size_t Shortcut::EndOfRun(std::span<const BriefEvent> events, std::size_t at) const {
  const BriefEvent* const first = events.data() + at;
  const BriefEvent* const end = events.data() + events.size();
  const BriefEvent* event = first;
  std::int64_t last = 0;
  do {
    if (event->kind != EventKind::kBytes || event->size == 0) return 0;
    last = event->at.ns();
    if (++event == end || event->side != first->side) break;
    if (event->at.ns() == last) return 0;  // one burst with the one before
  } while (event->at.ns() - last <= silence_);
  if (event - first > kMostEvents || event[-1].data + event[-1].size - first->data > kMostBytes)
    return 0;
  return static_cast<std::size_t>(event - events.data());
}

Shortcut::Look Shortcut::ExchangeAt(std::span<const BriefEvent> events, const Before& before,
                                    const Allowed& allowed, Found& found) {
  const BriefEvent& command = events[found.begin];
  if (command.side != Side::kHost || command.at <= before.module) return Look::kNot;
  const std::size_t middle = EndOfRun(events, found.begin);
  if (middle == 0) return Look::kNot;
  if (middle == events.size()) return Look::kMore;
  const BriefEvent& answer = events[middle];
  const Instant asked = events[middle - 1].at;
  if (answer.side != Side::kModule || answer.at <= asked ||
      answer.at.ns() - asked.ns() >= kUsualWait.ns())
    return Look::kNot;
  const std::size_t end = EndOfRun(events, middle);
  if (end == 0) return Look::kNot;
  if (end == events.size()) return Look::kMore;
  const BriefEvent& next = events[end];
  if (next.side != Side::kHost || next.kind != EventKind::kBytes) return Look::kNot;

  PlainExchange& e = found.exchange;
  e.silent_before = Idle(before.module, command) > silence_;
  e.silent_between = Idle(asked, answer) > silence_;
  // An answer that comes while the command is still on its way is more of the one before.
  if (character_time_ > 0 && !e.silent_before && !e.silent_between &&
      Idle(before.module, answer) * 2 < character_time_ * command.size)
    return Look::kNot;

  found.middle = middle;
  found.end = end;
  const char* const begin = command.data;
  const BriefEvent& last = events[end - 1];
  const auto size = static_cast<std::size_t>(answer.data - begin);
  e.command.bytes = {begin, size};
  e.command.events = {&command, middle - found.begin};
  e.answer.bytes = {answer.data, static_cast<std::size_t>(last.data + last.size - answer.data)};
  e.answer.events = {&answer, end - middle};
  if (way_ == Way::kBlocks)
    return blocks_.Look(command.bytes(), allowed.loose_returns, e) ? Look::kPlain : Look::kNot;
  TextShapes::Known* const known = texts_.Find({begin, size + e.answer.bytes.size()}, size);
  if (known == nullptr) return Look::kNot;
  e.command_text = size;
  e.answer_text = e.answer.bytes.size();
  e.command_content = &known->command;
  e.answer_content = &known->answer;
  e.history = &known->history;
  return Look::kPlain;
}

Shortcut::Look Shortcut::SentencesAt(std::span<const BriefEvent> events, const Before& before,
                                     const Allowed& allowed, Found& found) {
  const BriefEvent& first = events[found.begin];
  if (first.side != Side::kModule) return Look::kNot;
  found.middle = found.begin;
  found.end = EndOfRun(events, found.begin);
  if (found.end == 0) return Look::kNot;
  if (first.at <= before.module || Idle(before.module, first) <= silence_) return Look::kNot;
  if (found.end == events.size()) return Look::kMore;
  const BriefEvent& next = events[found.end];
  if (next.side != Side::kModule || next.kind != EventKind::kBytes) return Look::kNot;
  const BriefEvent& last = events[found.end - 1];
  found.said.bytes = {first.data, static_cast<std::size_t>(last.data + last.size - first.data)};
  found.said.events = {&first, found.end - found.begin};
  return sentences_.Find(found.said.bytes, allowed.secrets, found.sentences) ? Look::kPlain
                                                                             : Look::kNot;
}

Shortcut::Look Shortcut::At(std::span<const BriefEvent> events, std::size_t begin,
                            const Before& before, const Allowed& allowed, Found& found) {
  found.begin = begin;
  if (way_ == Way::kSentences) return SentencesAt(events, before, allowed, found);
  return ExchangeAt(events, before, allowed, found);
}

}  // namespace witness
