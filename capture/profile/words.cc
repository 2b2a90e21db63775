// A profile in plain words: what was found, and what a sketch is to make of it.
#include <algorithm>

#include "capture/base/text.h"
#include "capture/profile/profile.h"

namespace witness {
namespace {

const char* Sureness(const Basis& basis) {
  switch (basis.sure) {
    case Found::kSure:
      return "sure";
    case Found::kLikely:
      return "likely";
    case Found::kUnsure:
      return "unsure";
    case Found::kNotFound:
      return "not found";
    case Found::kNotTried:
    case Found::kUnspecified:
      break;
  }
  return "not tried";
}

std::string With(std::string text, const Basis& basis) {
  text += std::string("  [") + Sureness(basis);
  if (!basis.why.empty()) text += ": " + SafeName(basis.why);
  return text + "]";
}

std::string Range(const std::vector<Duration>& samples) {
  const auto [least, most] = std::minmax_element(samples.begin(), samples.end());
  return *least == *most ? FormatDuration(*least)
                         : FormatDuration(*least) + " to " + FormatDuration(*most);
}

std::string TakesCommands(const Profile& p) {
  if (p.accepted_endings.empty())
    return "takes commands, but which line ending it wants could not be told";
  std::string out;
  const bool bare = p.accepted_endings.front() == "none";
  if (bare && p.silence_at_most > Duration::Zero()) {
    out = "takes a command bare after between " + FormatDuration(p.silence_at_least) + " and " +
          FormatDuration(p.silence_at_most) + " of silence";
  } else if (bare) {
    out = "takes a command bare";
  }
  if (p.must_be_bare) return out + "; a CR or LF becomes part of the command";
  std::string list;
  for (const std::string& ending : p.accepted_endings)
    if (ending != "none") list += (list.empty() ? "" : ", ") + ending;
  out += (bare ? ", or ended by " : "takes a command ended by ") + list;
  if (p.leftover_spoils) out += "; after CR LF the LF stays behind and spoils the next command";
  return out;
}

Duration LongestTurnaround(const Profile& p) {
  Duration longest;
  const auto look = [&](const ProfileReply& reply) {
    for (const Duration d : reply.turnarounds) longest = std::max(longest, d);
  };
  look(p.unknown);
  for (const ProfileReply& reply : p.replies) look(reply);
  return longest;
}

Duration LongestPause(const Profile& p) {
  Duration longest;
  for (const ProfileReply& reply : p.replies)
    for (const Duration d : reply.longest_pauses) longest = std::max(longest, d);
  return longest;
}

// Rounded up to what a person would write.
Duration Rounded(Duration d) {
  for (const int ms : {5, 10, 20, 50, 100, 150, 200, 300, 500, 750, 1000, 1500, 2000, 3000, 5000})
    if (d <= Duration::Milliseconds(ms)) return Duration::Milliseconds(ms);
  return Duration::Seconds(d.ns() / 1'000'000'000 + 1);
}

}  // namespace

std::vector<std::string> Summary(const Profile& p) {
  std::vector<std::string> out;
  switch (p.state) {
    case ModuleState::kAnswers:
      break;
    case ModuleState::kSilent:
      out.push_back(With("it never said anything", p.state_basis));
      break;
    case ModuleState::kAllComesBack:
      out.push_back(With("all that is sent comes back: it is not in command mode", p.state_basis));
      break;
    case ModuleState::kTalksOnly:
      out.push_back(With("it talks, but answered no query that was tried", p.state_basis));
      break;
    case ModuleState::kUnreadable:
      out.push_back(With("it says something that is readable at no rate tried", p.state_basis));
      break;
    case ModuleState::kUnspecified:
      out.emplace_back("the survey ended before it knew whether the module answers");
      break;
  }
  for (const std::string& check : p.check) out.push_back("check: " + SafeName(check));
  if (p.state != ModuleState::kAnswers) return out;
  out.push_back(With(p.line.baud == 0 ? "speaks at a rate that is not known"
                                      : "speaks " + FormatLineSettings(p.line),
                     p.line_basis));
  out.push_back(With(TakesCommands(p), p.ending_basis));
  if (p.sleeps)
    out.push_back(
        With("sleeps after a silence and then loses what comes first; a line ending wakes "
             "it",
             p.sleep_basis));
  switch (p.echo) {
    case EchoKind::kOff:
      out.push_back(With("does not echo", p.echo_basis));
      break;
    case EchoKind::kOn:
      out.push_back(With("echoes commands", p.echo_basis));
      break;
    case EchoKind::kByCharacter:
      out.push_back(With("echoes each character as it comes", p.echo_basis));
      break;
    case EchoKind::kWhole:
      out.push_back(With("gives a command back when it is complete", p.echo_basis));
      break;
    case EchoKind::kUnspecified:
      break;
  }
  if (p.letter_case == LetterCase::kAny)
    out.push_back(With("takes capital and small letters", p.case_basis));
  if (p.letter_case == LetterCase::kAsWrittenOnly)
    out.push_back(With("takes capital letters only", p.case_basis));
  if (p.longest_command > 0)
    out.push_back(With("takes commands of up to " + std::to_string(p.longest_command) + " bytes",
                       p.longest_basis));
  if (p.unknown.basis.tries > 0) {
    out.push_back(With(p.unknown.texts.empty()
                           ? "says nothing to a command it does not know"
                           : "says no with " + SafeTextWithEnding(p.unknown.texts.front()),
                       p.unknown.basis));
  }
  for (const ProfileReply& reply : p.replies) {
    std::string line = SafeText(reply.command) + ": ";
    switch (reply.outcome) {
      case ReplyOutcome::kNotSent:
        line += "not sent (" + reply.change + ")";
        break;
      case ReplyOutcome::kRefused:
        line += "refused";
        break;
      case ReplyOutcome::kNoAnswer:
        line += "no answer";
        break;
      case ReplyOutcome::kAnswered:
      case ReplyOutcome::kUnspecified:
        for (std::size_t i = 0; i < reply.texts.size() && i < 4; ++i)
          line += (i ? " or " : "") + SafeTextWithEnding(reply.texts[i]);
        if (!reply.turnarounds.empty()) line += ", after " + Range(reply.turnarounds);
        if (reply.most_pieces > 1) {
          line += ", in " + std::to_string(reply.most_pieces) + " pieces";
          if (!reply.longest_pauses.empty()) line += " " + Range(reply.longest_pauses) + " apart";
        }
        break;
    }
    out.push_back(With(line, reply.basis));
  }
  if (!p.banner.empty())
    out.push_back(With("says " + SafeTextWithEnding(p.banner) + " " +
                           FormatDuration(p.banner_after) + " after a reset",
                       p.banner_basis));
  for (const ProfileUnsolicited& one : p.unsolicited)
    out.push_back(With("says unasked " + SafeTextWithEnding(one.text), one.basis));
  if (p.unsolicited.empty() && p.listened > Duration::Zero())
    out.push_back(With("said nothing unasked", p.unsolicited_basis));
  return out;
}

std::vector<std::string> Advice(const Profile& p) {
  std::vector<std::string> out;
  if (p.state != ModuleState::kAnswers) {
    out.emplace_back("the profile holds no answers to build on");
    for (const std::string& check : p.check) out.push_back("check: " + SafeName(check));
    return out;
  }
  out.push_back("line: " + (p.line.baud == 0 ? "not known, for it was surveyed through a port that "
                                               "has no rate"
                                             : FormatLineSettings(p.line)));
  const bool bare = p.send_ending == "none";
  out.push_back(bare ? "send: the command alone, without a line ending"
                     : "send: the command and " + p.send_ending);
  if (bare && p.silence_at_most > Duration::Zero())
    out.push_back("pause before the next command: at least " +
                  FormatDuration(Rounded(p.silence_at_most * 2)) +
                  " (it takes a command after up to " + FormatDuration(p.silence_at_most) +
                  " of silence, twice that for safety)");

  // How a reply's end is known.
  std::size_t largest = 0;
  bool all_end_with_lf = true;
  bool all_end_with_cr = true;
  bool any = false;
  bool all_result_codes = true;
  const auto look = [&](const ProfileReply& reply) {
    for (const Bytes& text : reply.texts) {
      any = true;
      largest = std::max(largest, text.size());
      all_end_with_lf = all_end_with_lf && text.ends_with('\n');
      all_end_with_cr = all_end_with_cr && text.ends_with('\r');
      all_result_codes =
          all_result_codes && (text.find("OK") != text.npos || text.find("ERROR") != text.npos);
    }
  };
  look(p.unknown);
  for (const ProfileReply& reply : p.replies) look(reply);
  const Duration pause = LongestPause(p);
  const Duration turnaround = LongestTurnaround(p);
  // Boards and adapters hand bytes on in bursts; and where the rate is not known, less is not safe.
  const Duration least = Duration::Milliseconds(p.line.baud == 0 ? 50 : 20);
  const Duration quiet = Rounded(std::max({pause * 2, p.line.CharacterTime() * 10, least}));
  if (!any)
    out.emplace_back("end of a reply: no reply was seen");
  else if (all_result_codes && (all_end_with_lf || all_end_with_cr))
    out.push_back(std::string("end of a reply: the line with OK or ERROR, ended by ") +
                  (all_end_with_lf ? "LF" : "CR") + "; compare without CR and LF");
  else if (all_end_with_lf || all_end_with_cr)
    out.push_back(std::string("end of a reply: ") + (all_end_with_lf ? "LF" : "CR") +
                  ", if it has one line; else silence of " + FormatDuration(quiet));
  else
    out.push_back("end of a reply: silence of " + FormatDuration(quiet) +
                  " (not every reply has a line ending: do not wait for one)");
  out.push_back("read timeout: " +
                FormatDuration(Rounded(turnaround * 2 + pause * 2 + Duration::Milliseconds(20))) +
                " (longest turnaround seen " + FormatDuration(turnaround) +
                ", longest pause inside a reply " + FormatDuration(pause) +
                ", each twice for safety, and 20 ms)");
  if (!bare)
    out.push_back("pause before the next command: until the reply has ended" +
                  std::string(p.leftover_spoils ? "; send CR alone, not CR LF" : ""));
  if (p.sleeps)
    out.push_back("wake it: after a silence send " + p.send_ending +
                  " alone, wait 300 ms, then the command");
  std::string buffer = "buffer: the largest reply seen has " + std::to_string(largest) + " bytes" +
                       (largest > 64 ? ": more than the 64 of a common receive buffer, so read "
                                       "while it comes"
                                     : "; a receive buffer of 64 holds it");
  if (p.line.baud > 0) {
    const Duration fill = p.line.CharacterTime() * 64;
    buffer += "; 64 bytes fill up in " + FormatDuration(fill) + ", so read at least every " +
              FormatDuration(fill / 2);
  }
  out.push_back(buffer);
  if (p.echo != EchoKind::kOff && p.echo != EchoKind::kUnspecified)
    out.emplace_back("strip: the command's own bytes, which come back before the reply");
  const bool leading = std::any_of(p.replies.begin(), p.replies.end(), [](const auto& reply) {
    return std::any_of(reply.texts.begin(), reply.texts.end(), [](const Bytes& text) {
      return !text.empty() && (text[0] == '\r' || text[0] == '\n');
    });
  });
  if (leading) out.emplace_back("strip: the CR LF in front of replies");
  for (const ProfileUnsolicited& one : p.unsolicited)
    out.push_back(
        "ignore (or handle apart) what comes unasked: " + SafeTextWithEnding(one.text) +
        (one.times == 1 ? " (heard once)" : " (heard " + std::to_string(one.times) + " times)"));
  if (!p.banner.empty())
    out.push_back("ignore after power-up: " + SafeTextWithEnding(p.banner) + "; send nothing for " +
                  FormatDuration(Rounded(p.banner_after * 2)));
  if (p.unknown.basis.tries > 0 && p.unknown.texts.empty())
    out.emplace_back("no answer means no: it is silent to what it does not know");
  out.emplace_back(
      "this is one module on one day: another batch may differ, and its data sheet decides");
  return out;
}

}  // namespace witness
