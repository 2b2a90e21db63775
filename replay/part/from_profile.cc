#include "replay/part/from_profile.h"

#include <algorithm>

#include "capture/base/text.h"

namespace trial {
namespace {

using witness::Profile;
using witness::ProfileReply;
using witness::ProfileUnsolicited;
using witness::ReplyOutcome;

// So long the survey waits where it finds out whether a module sleeps.
constexpr Duration kAsleepAfter = Duration::Seconds(4);

Duration Median(std::vector<Duration> samples) {
  std::sort(samples.begin(), samples.end());
  return samples.empty() ? Duration::Zero() : samples[samples.size() / 2];
}

CommandEnd EndOf(const Profile& profile, std::vector<std::string>& remarks) {
  CommandEnd end;
  const auto takes = [&](const char* name) {
    return std::find(profile.accepted_endings.begin(), profile.accepted_endings.end(), name) !=
           profile.accepted_endings.end();
  };
  if (takes("CR")) end.terminators.emplace_back("\r");
  if (takes("LF")) end.terminators.emplace_back("\n");
  if (takes(";")) end.terminators.emplace_back(";");
  // Where an LF stays behind a CR, it must not be taken with it.
  if (takes("CR LF") && !profile.leftover_spoils) end.terminators.emplace_back("\r\n");
  const bool bare =
      takes("none") || (profile.accepted_endings.empty() && profile.send_ending == "none");
  if (bare) {
    end.silence =
        profile.silence_at_least + (profile.silence_at_most - profile.silence_at_least) / 2;
    if (*end.silence <= Duration::Zero()) {
      end.silence = Duration::Milliseconds(100);
      remarks.push_back("how long a silence ends a command was not found out: 100 ms is taken");
    }
  }
  if (profile.accepted_endings.empty() && !bare) {
    end.terminators = {witness::BytesOfEnding(profile.send_ending)};
    remarks.push_back("which endings it takes was not found out: " + profile.send_ending +
                      " is taken");
  }
  return end;
}

Answer AnswerOf(const ProfileReply& reply, std::size_t which, Duration waited) {
  Answer answer;
  const Bytes& text = reply.texts[which];
  Piece first;
  first.after = std::max(Median(reply.turnarounds) - waited, Duration::Zero());
  const std::size_t whole = text.size();
  std::size_t sum = 0;
  for (const std::uint32_t size : reply.piece_sizes) sum += size;
  if (which != 0 || reply.piece_sizes.size() < 2 || sum != whole) {
    first.bytes = text;
    answer.pieces.push_back(std::move(first));
    return answer;
  }
  std::size_t at = 0;
  for (const std::uint32_t size : reply.piece_sizes) {
    Piece piece;
    piece.after = at == 0 ? first.after : Median(reply.longest_pauses);
    piece.bytes = text.substr(at, size);
    at += size;
    answer.pieces.push_back(std::move(piece));
  }
  return answer;
}

}  // namespace

witness::Result<BuiltPart> BuildPartFromProfile(const Profile& profile) {
  if (profile.state != witness::ModuleState::kAnswers)
    return witness::Status(witness::Code::kInvalidArgument,
                           "the profile holds no answers: there is nothing to play");
  BuiltPart built;
  Part& part = built.part;
  part.name = profile.title;
  part.line = profile.line;
  part.line.flow = witness::FlowControl::kNone;
  part.command_end = EndOf(profile, built.remarks);
  if (profile.sleeps) {
    part.sleeps_after = kAsleepAfter;
    built.remarks.push_back("sleeps after a silence, of " + witness::FormatDuration(kAsleepAfter) +
                            " as taken here: it did after that, whether sooner was not found out");
  }
  part.echo = profile.echo == witness::EchoKind::kByCharacter ? Echo::kByCharacter
              : profile.echo == witness::EchoKind::kWhole || profile.echo == witness::EchoKind::kOn
                  ? Echo::kWhole
                  : Echo::kOff;
  // What was measured from the end of a command holds the silence that ended it.
  const bool bare = profile.send_ending == "none";
  const Duration waited =
      bare ? part.command_end.silence.value_or(Duration::Zero()) : Duration::Zero();
  for (const ProfileReply& reply : profile.replies) {
    if (reply.outcome == ReplyOutcome::kNotSent) {
      built.remarks.push_back("'" + witness::ToEscapes(reply.command) +
                              "' was not sent: what it is answered is not known");
      continue;
    }
    Rule rule;
    rule.cue.text = reply.command;
    rule.cue.match = profile.must_be_bare ? Match::kExact : Match::kIgnoringEnding;
    rule.cue.ignore_case = profile.letter_case == witness::LetterCase::kAny;
    for (std::size_t i = 0; i < reply.texts.size(); ++i)
      rule.answers.push_back(AnswerOf(reply, i, waited));
    if (rule.answers.empty()) rule.answers.emplace_back();
    if (reply.piece_sizes.size() > 2)
      built.remarks.push_back("'" + witness::ToEscapes(reply.command) +
                              "': the longest of its pauses stands for each");
    part.rules.push_back(std::move(rule));
  }
  if (!profile.unknown.texts.empty()) part.unknown = AnswerOf(profile.unknown, 0, waited);
  for (const ProfileUnsolicited& one : profile.unsolicited) {
    Unasked unasked;
    unasked.every =
        std::max(profile.listened / std::max<std::int64_t>(1, one.times), Duration::Seconds(1));
    unasked.at = unasked.every;
    unasked.pieces = {{Duration::Zero(), one.text}};
    built.remarks.push_back("says unasked " + witness::SafeTextWithEnding(one.text) + " every " +
                            witness::FormatDuration(*unasked.every) +
                            ", which is a guess: edit it where you know better");
    part.unasked.push_back(std::move(unasked));
  }
  if (!profile.banner.empty())
    built.remarks.push_back("its banner " + witness::SafeTextWithEnding(profile.banner) +
                            " is not played, for nothing resets it here; `unasked { at: \"" +
                            witness::FormatDuration(profile.banner_after) +
                            "\" ... }` would say it");
  if (part.rules.empty())
    return witness::Status(witness::Code::kInvalidArgument,
                           "the profile holds no command that was sent");
  return built;
}

}  // namespace trial
