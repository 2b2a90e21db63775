// Rate, format and a first ending; or, where nothing answers, what to look at.
#include <algorithm>
#include <iterator>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {
namespace {

constexpr Duration kShortQuiet = Duration::Milliseconds(300);

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
  return static_cast<std::size_t>(std::count_if(bytes.begin(), bytes.end(), [](char c) {
    return (c < 0x20 || c > 0x7E) && c != '\r' && c != '\n' && c != '\t';
  }));
}

// Of the answers the one that most of the others are, but for something said unasked.
Bytes MostFrequent(const std::vector<Heard>& answers) {
  Bytes best;
  std::ptrdiff_t most = 0;
  for (const Heard& answer : answers) {
    const Bytes body = Body(answer);
    const auto like = std::count_if(answers.begin(), answers.end(), [&](const Heard& other) {
      return IsButForASaying(Body(other), body);
    });
    if (Readable(body) && like > most) {
      best = body;
      most = like;
    }
  }
  return best;
}

// Whether one answer, perhaps silence, was had to both; the one with the least in it is meant.
bool AlikeInBoth(const std::vector<Bytes>& first, const std::vector<Bytes>& second, Bytes& what) {
  bool found = false;
  for (const Bytes& one : first) {
    for (const Bytes& other : second) {
      const Bytes& shorter = one.size() <= other.size() ? one : other;
      if (!IsButForASaying(&shorter == &one ? other : one, shorter)) continue;
      if (!found || shorter.size() < what.size()) what = shorter;
      found = true;
    }
  }
  return found;
}

}  // namespace

bool Surveyor::FindLine() {
  std::vector<LineSettings> lines;
  if (plan_.line_is_known) {
    lines.push_back(plan_.line);
  } else {
    std::vector<std::string> formats = plan_.formats;
    for (const std::string& format : formats) {
      for (const std::uint32_t baud : plan_.bauds) {
        LineSettings line = plan_.line;
        if (!ParseFormat(format, line).ok()) continue;
        line.baud = baud;
        lines.push_back(line);
      }
    }
  }
  // Quick first. Slow modules get a second round with more patience: at every rate of the first
  // format, and wherever anything was heard.
  std::vector<bool> heard_at(lines.size());
  for (const Duration wait : {Duration::Milliseconds(800), Duration::Seconds(5)}) {
    for (std::size_t i = 0; i < lines.size(); ++i) {
      const LineSettings& line = lines[i];
      const bool first_format =
          line.data_bits == lines.front().data_bits && line.parity == lines.front().parity;
      if (wait > Duration::Seconds(1) && !first_format && !heard_at[i]) continue;
      const int heard_before = came_back_ + readable_ + unreadable_;
      bool found = false;
      if (!TryLine(line, wait, found)) return false;
      heard_at[i] = came_back_ + readable_ + unreadable_ > heard_before;
      if (found) {
        profile_.state = ModuleState::kAnswers;
        profile_.state_basis = profile_.line_basis;
        profile_.state_basis.sure = answered_;
        profile_.state_basis.why = "it answers a query otherwise than a command that cannot exist";
        return true;
      }
    }
  }
  Diagnose();
  return false;
}

bool Surveyor::TryLine(const LineSettings& line, Duration wait, bool& found) {
  Result<LineSettings> got = talk_.Configure(line);
  if (!got.ok()) {
    if (got.status().code() == Code::kInterrupted || got.status().code() == Code::kDisconnected) {
      status_ = got.status();
      return false;
    }
    return true;  // this port cannot do it
  }
  progress_(line.baud == 0 ? "asking for a first answer" : "trying " + FormatLineSettings(line));
  line_ = line;
  log_.clear();
  profile_.unsolicited.clear();
  const int came_back_before = came_back_;
  const int others_before = readable_ + unreadable_;
  // A port that has no rate of its own (pty, TCP) would look alike at each.
  for (const SurveyEnding& ending : kSurveyEndings) {
    Patience patience = {wait, kShortQuiet, Duration::Seconds(5), wait};
    if (*ending.bytes == '\0') patience.wait = wait + Duration::Milliseconds(1200);
    Heard heard;
    // What an earlier try left in the module's buffer is ended first.
    const Patience brief = {wait / 2, kShortQuiet, Duration::Seconds(5), wait / 2};
    if (*ending.bytes != '\0' ? !Ask(ending.bytes, brief, heard)
                              : !Pause(Duration::Milliseconds(1500)))
      return false;
    if (!Ask(plan_.query, ending.name, patience, heard)) return false;
    Note(heard);
    if (!Readable(Body(heard))) continue;
    bool understood = false;
    if (!Confirm(ending, understood)) return false;
    if (understood) {
      found = true;
      profile_.line = line;
      profile_.send_ending = ending.name;
      return true;
    }
  }
  comes_back_whole_ = comes_back_whole_ || (came_back_ - came_back_before ==
                                                static_cast<int>(std::size(kSurveyEndings)) &&
                                            readable_ + unreadable_ == others_before);
  return true;
}

// For the diagnosis: what kind of thing was heard.
void Surveyor::Note(const Heard& heard) {
  if (heard.nothing()) return;
  if (EchoLength(heard) > 0 && heard.bad_bytes == 0) {
    echo_line_ = line_;
    came_back_after_ = heard.pieces.back().at - heard.sent_by;
  }
  if (EchoLength(heard) > 0 && Body(heard).empty())
    ++came_back_;
  else if (Readable(Body(heard)))
    ++readable_;
  else
    ++unreadable_;
  AddEvidence(profile_.state_basis, heard);
}

// Does the module answer the query, again and again, otherwise than what cannot be a command and
// otherwise than it talks unasked?
bool Surveyor::Confirm(const SurveyEnding& ending, bool& understood) {
  understood = false;
  // Late answers to what was tried before must not be taken for answers to this; and what it says
  // again and again is left out from here on.
  Heard talked;
  bool quiet = false;
  if (!UntilSilent(Duration::Milliseconds(2500), Duration::Seconds(6), talked, quiet)) return false;
  if (!quiet) {
    for (const Heard& saying : Sayings(talked)) CountUnasked(saying.bytes(), saying);
    std::erase_if(profile_.unsolicited, [](const auto& one) { return one.times < 2; });
  }
  Patience patience = {Duration::Seconds(5), Duration::Milliseconds(500), Duration::Seconds(8),
                       Duration::Milliseconds(2500)};
  // Neither their order nor their distance is regular, so that nothing that is said unasked in
  // regular steps comes after each query and after nothing else.
  struct Probe {
    ByteView command;
    Duration pause;
  };
  const auto ms = [](int n) { return Duration::Milliseconds(n); };
  const ByteView query = plan_.query;
  const Probe probes[] = {
      {query, ms(0)},          {kUnknownQuery, ms(0)},        {query, ms(370)},
      {query, ms(0)},          {kOtherUnknownQuery, ms(910)}, {kForeignQuery, ms(0)},
      {query, ms(1700)},       {kUnknownQuery, ms(0)},        {kOtherUnknownQuery, ms(230)},
      {kForeignQuery, ms(510)}};
  Basis basis;
  Bytes all;
  std::size_t bad = 0;  // framing or parity errors: not this rate and format
  std::vector<Heard> answers;
  std::map<ByteView, std::vector<Bytes>> refusals;
  for (const Probe& probe : probes) {
    Heard heard;
    if (probe.pause > Duration::Zero() && !Pause(probe.pause)) return false;
    if (!Ask(probe.command, ending.name, patience, heard)) return false;
    AddEvidence(basis, heard);
    all += heard.bytes();
    bad += heard.bad_bytes;
    if (probe.command != query) {
      refusals[probe.command].push_back(Body(heard));
      // Plainly no answers: an echo, mangled or not, or a talker.
      Bytes ignored;
      if (answers.size() == 1 && Body(heard) == Body(answers[0])) break;
      if (refusals.size() == 2 &&
          !AlikeInBoth(refusals[kUnknownQuery], refusals[kOtherUnknownQuery], ignored) &&
          Unreadable(all) > 0)
        break;
      continue;
    }
    // What has nothing to say to the query is not to be asked further.
    if (answers.empty() && !Readable(Body(heard))) return true;
    answers.push_back(heard);
    // Once its time is known, what is not there by then does not come.
    const Duration turnaround = TimingOf(heard, line_).turnaround.value_or(Duration::Zero());
    patience.at_least = std::max(turnaround * 3 / 2, turnaround) + Duration::Seconds(1);
  }
  const Bytes wanted = MostFrequent(answers);
  const auto same = std::count_if(answers.begin(), answers.end(), [&](const Heard& answer) {
    return IsButForASaying(Body(answer), wanted);
  });
  // The two that cannot exist are refused in the same words, or both with silence; what begins
  // otherwise may be passed over in silence. What is mangled by a wrong rate changes with what is
  // sent.
  Bytes refusal;
  const bool refuses = AlikeInBoth(refusals[kUnknownQuery], refusals[kOtherUnknownQuery], refusal);
  const std::vector<Bytes>& foreign = refusals[kForeignQuery];
  const bool mangles = std::none_of(foreign.begin(), foreign.end(), [&](const Bytes& one) {
    return one.empty() || IsButForASaying(one, refusal);
  });
  // Silence that is broken more than once is none; and what comes to what cannot exist is no
  // answer.
  int silent = 0;
  int asked = 0;
  bool elsewhere = talked.bytes().find(wanted) != Bytes::npos || Words(wanted) == Words(refusal);
  bool cut = false;  // the beginning of a command was lost
  for (const auto& [command, bodies] : refusals) {
    for (const Bytes& body : bodies) {
      ++asked;
      silent += body.empty();
      elsewhere = elsewhere || Words(body) == Words(wanted) || IsButForASaying(body, wanted);
      cut = cut || body.find(command.substr(1)) != Bytes::npos;
    }
  }
  sleepy_ = sleepy_ || cut;
  const bool keeps_silent = !refusal.empty() || silent + 1 >= asked;
  // A wrong rate gives nothing back as it was.
  const bool echoes_elsewhere = echo_line_ &&
                                (echo_line_->baud != line_.baud ||
                                 echo_line_->BitsPerCharacter() != line_.BitsPerCharacter()) &&
                                std::none_of(answers.begin(), answers.end(),
                                             [](const Heard& one) { return EchoLength(one) > 0; });
  // Where nothing is refused in words, it may be what the module says now and then.
  const std::ptrdiff_t needed = refusal.empty() ? 4 : 3;
  understood = same >= needed && !echoes_elsewhere && Readable(wanted) && refuses && !mangles &&
               !elsewhere && keeps_silent && !cut && bad == 0 && Unreadable(all) * 20 <= all.size();
  if (understood && refusal.empty()) {
    Heard unasked;
    if (!UntilSilent(Duration::Seconds(15), Duration::Seconds(15), unasked, quiet)) return false;
    understood = unasked.bytes().find(wanted) == Bytes::npos;
  }
  if (!understood) {
    ++readable_;
    return true;
  }
  answer_ = wanted;
  refusal_ = refusal;
  turnaround_ = Duration::Zero();
  for (const Heard& answer : answers)
    turnaround_ = std::max(turnaround_, TimingOf(answer, line_).turnaround.value_or(turnaround_));
  basis.sure = same == 4 ? Found::kSure : Found::kLikely;
  basis.why = "readable answers" + (line_.baud == 0 ? "" : " at " + FormatLineSettings(line_)) +
              ", " + std::to_string(same) + " of 4 alike";
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

void Surveyor::Diagnose() {
  Basis& basis = profile_.state_basis;
  const bool has_rate = line_.baud != 0;
  profile_.line.baud = 0;
  profile_.line_basis.sure = Found::kNotFound;
  profile_.line_basis.why = has_rate ? "no rate and format that was tried gave answers"
                                     : "the port has no rate of its own";
  if (!has_rate)
    profile_.check.emplace_back(
        "If a serial line stands behind this port, its rate is set at the other end");
  profile_.line_basis.tries = basis.tries;
  std::vector<std::string> checks;
  // Never more: what was not tried may answer.
  basis.sure = Found::kUnsure;
  if (comes_back_whole_) {
    profile_.state = ModuleState::kAllComesBack;
    basis.why = "what was sent came back, and nothing else, " + std::to_string(came_back_) +
                " times; last " + FormatDuration(came_back_after_) + " after it had left";
    checks = {
        "Is a data session open? Then commands go to the far side and come back from there: end "
        "the session or power the module off and on",
        "Are TX and RX of the adapter joined? Take the module off: if it still comes back, yes",
        "A module that only echoes may want another line ending or rate"};
  } else if (readable_ > 0) {
    profile_.state = ModuleState::kTalksOnly;
    basis.why = "readable text came, but no query was answered otherwise than what cannot exist";
    if (sleepy_)
      profile_.check.emplace_back(
          "Commands lost their beginning: the module may sleep between them and want to be woken, "
          "by "
          "a first byte or a pin");
    checks = {
        "The module may only talk (a receiver, a sensor): record it with `bytewitness record`",
        "It may want another query than " + ToEscapes(plan_.query) + ": give one with --query",
        "Is the adapter's TX wired to the module's RX, and are the levels right?"};
  } else if (unreadable_ > 0) {
    profile_.state = ModuleState::kUnreadable;
    basis.why = "bytes came, readable at no rate that was tried";
    checks = {"Wrong rate: give others with --bauds",
              "Is the signal inverted (RS-232 levels on a logic pin or the other way)?",
              "It may speak a binary protocol: record it with `bytewitness record`",
              "Are the grounds joined?"};
  } else {
    profile_.state = ModuleState::kSilent;
    basis.why = "nothing was ever heard";
    checks = {"Is the wiring crossed? The adapter's TX goes to the module's RX and back",
              "Is it powered, are the grounds joined, and do the levels match?",
              "Has it an enable, wake or mode pin that must be set?",
              "Is a session open from before? Power it off and on",
              "It may want another rate (--bauds), another query (--query) or more time"};
  }
  profile_.check.insert(profile_.check.end(), checks.begin(), checks.end());
}

}  // namespace witness
