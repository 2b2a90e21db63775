// Is what came an answer?
#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {
namespace {

// `text` is `wanted`, though something may have been said unasked, or a stray byte have come.
bool IsButForASaying(const Bytes& text, const Bytes& wanted) {
  if (text == wanted) return true;
  std::size_t front = 0;
  if (wanted.empty()) return false;
  if (!IsWithInsertion(text, wanted, front)) return false;
  const ByteView run = ByteView(text).substr(front, text.size() - wanted.size());
  return MayBeNoise(run) || MayBeUnasked(run, front == 0 || front == wanted.size());
}

std::size_t Unreadable(const Bytes& bytes) {
  return static_cast<std::size_t>(std::count_if(
      bytes.begin(), bytes.end(), [](char c) { return !IsPlainByte(c) && !IsTextFraming(c); }));
}

using Text = Bytes;
Text Exact(const Bytes& text) { return text; }
Text AsShape(const Bytes& text) { return Shape(text); }

// Whether one answer, perhaps silence, was had to both; the one with the least in it is meant.
bool AlikeInBoth(const std::vector<Bytes>& first, const std::vector<Bytes>& second,
                 Text (*text)(const Bytes&), Bytes& what) {
  bool found = false;
  for (const Bytes& one : first) {
    for (const Bytes& other : second) {
      const Bytes& shorter = one.size() <= other.size() ? one : other;
      if (!IsButForASaying(text(&shorter == &one ? other : one), text(shorter))) continue;
      if (!found || shorter.size() < what.size()) what = shorter;
      found = true;
    }
  }
  return found;
}

struct Judgement {
  Bytes answer;             // that most of the answers are
  std::ptrdiff_t same = 0;  // so many
  bool refuses = false;     // what cannot exist is refused in the same words, or with silence
  Bytes refusal;
  bool mangles = false;  // and what begins otherwise, otherwise
};

// What is mangled by a wrong rate changes with what is sent; what begins otherwise may be passed
// over in silence.
Judgement Judge(const std::vector<Heard>& answers, std::map<ByteView, std::vector<Bytes>>& refusals,
                Text (*answer_text)(const Bytes&), Text (*refusal_text)(const Bytes&)) {
  Judgement out;
  for (const Heard& answer : answers) {
    const Bytes body = Body(answer);
    const auto like = std::count_if(answers.begin(), answers.end(), [&](const Heard& other) {
      return IsButForASaying(answer_text(Body(other)), answer_text(body));
    });
    // Where two would do, one of them is said unasked beside the other: more of that is in one.
    if (!Readable(body) || like < out.same ||
        (like == out.same && body.size() >= out.answer.size()))
      continue;
    out.answer = body;
    out.same = like;
  }
  out.refuses =
      AlikeInBoth(refusals[kUnknownQuery], refusals[kOtherUnknownQuery], refusal_text, out.refusal);
  const std::vector<Bytes>& foreign = refusals[kForeignQuery];
  out.mangles = std::none_of(foreign.begin(), foreign.end(), [&](const Bytes& one) {
    return one.empty() || IsButForASaying(refusal_text(one), refusal_text(out.refusal));
  });
  return out;
}

bool HasLine(Bytes text, ByteView line) {
  std::replace(text.begin(), text.end(), '\r', '\n');
  return ('\n' + text + '\n').find('\n' + Bytes(line) + '\n') != Bytes::npos;
}

}  // namespace

// Once, in a moment when it may be a talker still: all that may be sent, until something is
// telling.
bool Surveyor::AskMore(const SurveyEnding& ending, const Patience& patience,
                       std::vector<Heard>& heards) {
  const std::vector<SurveyCommand> commands =
      plan_.commands.empty() ? BuiltInCommands() : plan_.commands;
  int asked = 0;
  for (const SurveyCommand& command : commands) {
    if (!command.change.empty() || !MaySend(command, plan_) || command.text == plan_.query)
      continue;
    // Behind each there is the joint, since what it is answered tells nothing yet.
    for (const ByteView text : {ByteView(command.text), kJoint}) {
      Heard heard;
      if (!Ask(text, ending.name, patience, heard)) return false;
      if (text != kJoint) heards.push_back(heard);
    }
    if (++asked == 6 || IsTelling(heards)) break;
  }
  return true;
}

// Does the module answer the query, again and again, otherwise than what cannot be a command and
// otherwise than it talks unasked?
bool Surveyor::Confirm(const SurveyEnding& ending, const Bytes& first, bool& understood) {
  understood = other_format_ = false;
  // Late answers to what was tried before must not be taken for answers to this; and what it says
  // again and again is left out from here on.
  Heard late;
  Heard talked;
  bool quiet = false;
  const auto ms = [](int n) { return Duration::Milliseconds(n); };
  if (!UntilSilent(ms(1500), Duration::Seconds(6), late, quiet)) return false;
  if (quiet && !late.nothing() && !UntilSilent(ms(1500), Duration::Seconds(6), talked, quiet))
    return false;
  if (!quiet) {
    if (talked.nothing()) talked = late;
    for (const Heard& saying : Sayings(talked)) CountUnasked(saying.bytes(), saying);
    std::erase_if(profile_.unsolicited, [](const auto& one) { return one.times < 2; });
    other_format_ =
        std::any_of(profile_.unsolicited.begin(), profile_.unsolicited.end(),
                    [](const ProfileUnsolicited& one) { return IsOtherFormat(one.text); });
  }
  Patience patience = {Duration::Seconds(5), Duration::Milliseconds(500), Duration::Seconds(8),
                       Duration::Milliseconds(1500)};
  // Neither their order nor their distance is regular, so that nothing that is said unasked in
  // regular steps comes after each query and after nothing else. Behind each query stands what
  // begins with kJoint.
  struct Probe {
    ByteView command;
    Duration pause;
  };
  const ByteView query = plan_.query;
  const Probe probes[] = {{query, ms(0)},         {kForeignQuery, ms(0)},
                          {kUnknownQuery, ms(0)}, {query, ms(370)},
                          {kJoint, ms(0)},        {query, ms(0)},
                          {kJoint, ms(910)},      {kOtherUnknownQuery, ms(0)},
                          {query, ms(1700)},      {kForeignQuery, ms(510)},
                          {kUnknownQuery, ms(0)}, {kOtherUnknownQuery, ms(230)}};
  Basis basis;
  Bytes all;
  std::size_t bad = 0;  // framing or parity errors: not this rate and format
  std::vector<Heard> answers;
  std::vector<Heard> heards;
  std::vector<Bytes> betweens;
  std::map<ByteView, std::vector<Bytes>> refusals;
  for (const Probe& probe : probes) {
    Heard heard;
    if (probe.pause > Duration::Zero() && !Pause(probe.pause)) return false;
    if (!Ask(probe.command, ending.name, patience, heard)) return false;
    AddEvidence(basis, heard);
    heards.push_back(heard);
    if (!came_between_.empty()) betweens.push_back(came_between_);
    all += heard.bytes();
    bad += heard.bad_bytes;
    if (bad > 0) {
      other_format_ = true;
      ++readable_;
      return true;
    }
    if (probe.command != query) {
      refusals[probe.command].push_back(Body(heard));
      // Plainly no answers: an echo, mangled or not, or a talker.
      Bytes ignored;
      if (std::all_of(answers.begin(), answers.end(),
                      [&](const Heard& answer) { return Body(answer) == Body(heard); }))
        break;
      if (refusals.size() == 2 &&
          !AlikeInBoth(refusals[kUnknownQuery], refusals[kOtherUnknownQuery], Exact, ignored) &&
          Unreadable(all) > 0)
        break;
      continue;
    }
    // What has nothing to say to the query is not to be asked further.
    if (answers.empty() && !Readable(Body(heard))) {
      cut_ = !wake_ && Readable(first);
      return true;
    }
    answers.push_back(heard);
    // Once its time is known, what is not there by then does not come.
    const Duration turnaround = TimingOf(heard, line_).turnaround.value_or(Duration::Zero());
    patience.at_least = turnaround * 3 / 2 + ms(400);
    patience.wait = std::max(patience.at_least, turnaround * 2 + ms(1500));
  }
  // Alike to the byte; or else but for figures, where answers or refusals are numbered.
  const auto judge = [&](Text (*answer_text)(const Bytes&), Text (*refusal_text)(const Bytes&)) {
    return Judge(answers, refusals, answer_text, refusal_text);
  };
  Judgement is = judge(Exact, Exact);
  answer_by_shape_ = refusal_by_shape_ = false;
  if (is.same < 3) {
    is = judge(AsShape, Exact);
    answer_by_shape_ = true;
  }
  if (!is.refuses) {
    is = judge(answer_by_shape_ ? AsShape : Exact, AsShape);
    refusal_by_shape_ = true;
  }
  // Silence that is broken more than once is none; and what comes to what cannot exist is no
  // answer.
  int silent = 0;
  int asked = 0;
  const auto alike = answer_by_shape_ || refusal_by_shape_ ? AsShape : Exact;
  const Bytes wanted = is.answer;
  const Bytes refusal = is.refusal;
  bool elsewhere =
      talked.bytes().find(wanted) != Bytes::npos || alike(Words(wanted)) == alike(Words(refusal));
  bool cut = false;  // the beginning of a command was lost
  for (const auto& [command, bodies] : refusals) {
    for (const Bytes& body : bodies) {
      ++asked;
      silent += body.empty();
      elsewhere = elsewhere || alike(Words(body)) == alike(Words(wanted)) ||
                  IsButForASaying(alike(body), alike(wanted));
      cut = cut || (command.size() > 3 && body.find(command.substr(1)) != Bytes::npos);
    }
  }
  for (const Heard& answer : answers)
    cut = cut || (EchoLength(answer) == 0 && HasLine(Body(answer), query.substr(1)));
  sleepy_ = sleepy_ || cut;
  // What lost characters of the query has answered something else.
  const bool garbled = std::count_if(answers.begin(), answers.end(), [](const Heard& one) {
                         return GarbledEchoLength(one) > 0;
                       }) > 1;
  // What answers come when nothing is awaited may be those to commands before the last.
  const bool out_of_step = std::count_if(betweens.begin(), betweens.end(), [&](const Bytes& one) {
                             return one.find(wanted) != Bytes::npos;
                           }) > 1;
  const bool keeps_silent = !refusal.empty() || silent + 1 >= asked;
  // A wrong rate gives nothing back as it was.
  const bool echoes_elsewhere = echo_line_ &&
                                (echo_line_->baud != line_.baud ||
                                 echo_line_->BitsPerCharacter() != line_.BitsPerCharacter()) &&
                                std::none_of(answers.begin(), answers.end(),
                                             [](const Heard& one) { return EchoLength(one) > 0; });
  // Where nothing is refused in words, it may be what the module says now and then.
  const std::ptrdiff_t needed = refusal.empty() ? 4 : 3;
  understood = is.same >= needed && !echoes_elsewhere && Readable(wanted) && is.refuses &&
               !is.mangles && !elsewhere && keeps_silent && !cut && !garbled && !out_of_step &&
               bad == 0 && !other_format_ && Unreadable(all) * 20 <= all.size();
  if (!understood) {
    ++readable_;
    // Perhaps it slept: what was answered at once was not after a pause.
    cut_ = !wake_ && (cut || Words(wanted) != Words(first) || is.same < needed);
    return true;
  }
  if (line_.baud != 0 && !plan_.line_is_known && !IsTelling(heards)) {
    // Rubbish of a few kinds may look like this; other queries are answered in more words.
    if (!AskMore(ending, patience, heards)) return false;
    if (!IsTelling(heards)) {
      understood = false;
      doubtful_ = "At " + FormatLineSettings(line_) + " " + ToEscapes(query) + " was answered " +
                  ToEscapes(wanted) +
                  ", which may be rubbish of another rate. To survey it there, give this rate and "
                  "format";
      return true;
    }
  }
  answer_ = wanted;
  refusal_ = refusal;
  turnaround_ = Duration::Zero();
  for (const Heard& answer : answers)
    turnaround_ = std::max(turnaround_, TimingOf(answer, line_).turnaround.value_or(turnaround_));
  basis.sure = is.same == 4 ? Found::kSure : Found::kLikely;
  basis.why = "readable answers" + (line_.baud == 0 ? "" : " at " + FormatLineSettings(line_)) +
              ", " + std::to_string(is.same) + " of 4 alike" +
              (answer_by_shape_ ? " but for figures" : "");
  profile_.line_basis = basis;
  if (line_.baud == 0) {
    profile_.line_basis.sure = Found::kNotTried;
    profile_.line_basis.why = "the port has no rate of its own";
  } else if (line_.stop_bits == StopBits::kOne) {
    profile_.line_basis.why += " (two stop bits would look the same)";
  }
  answered_ = basis.sure;
  profile_.piece_gap = PieceGap(line_);
  return true;
}

}  // namespace witness
