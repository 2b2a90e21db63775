#include "capture/examine/plain/shortcut.h"

namespace witness {
namespace {

constexpr std::size_t kMostEvents = 4096;       // of one side's run
constexpr std::size_t kMostBytes = 64u << 10;   // the same
constexpr Duration kUsualWait = Duration::Seconds(2);  // less than what makes an answer a late one

Shortcut::Way WayOf(const Conventions& conventions, const SegmenterOptions& options) {
  if (options.framing || conventions.unknown_heard || conventions.echo || conventions.lf_cr ||
      conventions.command_mark != 0 || conventions.answer_mark != 0 ||
      !conventions.second_answers.empty() || options.max_segment <= kMostBytes * 2)
    return Shortcut::Way::kNone;
  if (TextShapes::Fit(conventions)) return Shortcut::Way::kText;
  if (PlainBlocks::Fit(conventions)) return Shortcut::Way::kBlocks;
  if (SentenceShapes::Fit(conventions)) return Shortcut::Way::kSentences;
  return Shortcut::Way::kNone;
}

ByteView BytesOf(std::span<const BriefEvent> events, std::size_t from, std::size_t to) {
  const char* const begin = events[from].data;
  return {begin, static_cast<std::size_t>(events[to - 1].data + events[to - 1].size - begin)};
}

}  // namespace

Shortcut::Shortcut(const Conventions& conventions, const SegmenterOptions& options)
    : options_(options),
      silence_(conventions.silence.value),
      way_(WayOf(conventions, options)),
      texts_(conventions, options),
      blocks_(conventions) {}

std::size_t Shortcut::EndOfRun(std::span<const BriefEvent> events, std::size_t at) const {
  const BriefEvent& first = events[at];
  if (first.kind != EventKind::kBytes || first.size == 0) return 0;
  Instant last = first.at;
  std::size_t end = at + 1;
  for (; end < events.size(); ++end) {
    const BriefEvent& event = events[end];
    if (event.side != first.side || event.at - last > silence_) break;
    // What has the same stamp is one burst.
    if (event.kind != EventKind::kBytes || event.size == 0 || event.at == last) return 0;
    last = event.at;
  }
  if (end - at > kMostEvents || events[end - 1].data - first.data > std::ptrdiff_t{kMostBytes})
    return 0;
  return end;
}

Shortcut::Look Shortcut::ExchangeAt(std::span<const BriefEvent> events, const Before& before,
                                    const Allowed& allowed, Found& found) {
  const BriefEvent& command = events[found.begin];
  if (command.side != Side::kHost || command.at <= before.module) return Look::kNot;
  found.middle = EndOfRun(events, found.begin);
  if (found.middle == 0) return Look::kNot;
  if (found.middle == events.size()) return Look::kMore;
  const BriefEvent& answer = events[found.middle];
  const Instant asked = events[found.middle - 1].at;
  if (answer.side != Side::kModule || answer.at <= asked || answer.at - asked >= kUsualWait)
    return Look::kNot;
  found.end = EndOfRun(events, found.middle);
  if (found.end == 0) return Look::kNot;
  if (found.end == events.size()) return Look::kMore;
  const BriefEvent& next = events[found.end];
  if (next.side != Side::kHost || next.kind != EventKind::kBytes) return Look::kNot;

  found.silent_before = IsSilence(before.module, command);
  found.silent_between = IsSilence(asked, answer);
  // An answer that comes while the command is still on its way is more of the one before.
  const Duration character = options_.character_time;
  if (character > Duration::Zero() && !found.silent_before && !found.silent_between &&
      IdleBefore(before.module, answer.at, answer.size, character) * 2 <
          character * static_cast<std::int64_t>(command.size))
    return Look::kNot;

  PlainExchange& e = found.exchange;
  e.command.bytes = BytesOf(events, found.begin, found.middle);
  e.answer.bytes = BytesOf(events, found.middle, found.end);
  if (way_ == Way::kBlocks)
    return blocks_.Look(command.bytes(), allowed.loose_returns, e) ? Look::kPlain : Look::kNot;
  const std::size_t size = e.command.bytes.size();
  const TextShapes::Known* const known =
      texts_.Find(BytesOf(events, found.begin, found.end), size);
  if (known == nullptr) return Look::kNot;
  e.command_text = size;
  e.answer_text = e.answer.bytes.size();
  e.command_content = &known->command;
  e.answer_content = &known->answer;
  return Look::kPlain;
}

Shortcut::Look Shortcut::SentencesAt(std::span<const BriefEvent> events, const Before& before,
                                     const Allowed& allowed, Found& found) {
  const BriefEvent& first = events[found.begin];
  if (first.side != Side::kModule || !IsSilence(before.module, first)) return Look::kNot;
  found.middle = found.begin;
  found.end = EndOfRun(events, found.begin);
  if (found.end == 0) return Look::kNot;
  if (found.end == events.size()) return Look::kMore;
  const BriefEvent& next = events[found.end];
  if (next.side != Side::kModule || next.kind != EventKind::kBytes) return Look::kNot;
  found.said = BytesOf(events, found.begin, found.end);
  return sentences_.Find(found.said, allowed.secrets, found.sentences) ? Look::kPlain : Look::kNot;
}

Shortcut::Look Shortcut::At(std::span<const BriefEvent> events, std::size_t begin,
                            const Before& before, const Allowed& allowed, Found& found) {
  found.begin = begin;
  if (way_ == Way::kSentences) return SentencesAt(events, before, allowed, found);
  return ExchangeAt(events, before, allowed, found);
}

}  // namespace witness
