// Rate, format and a first ending; or, where nothing answers, what to look at.
#include <algorithm>
#include <iterator>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {
namespace {

constexpr Duration kShortQuiet = Duration::Milliseconds(300);

}  // namespace

bool Surveyor::Banner() {
  Basis& basis = profile_.banner_basis;
  if (!plan_.reset_line) {
    basis.why = "the module was not reset (--reset dtr or rts, if a line is wired to it)";
    return true;
  }
  progress_("resetting the module and listening for its banner");
  if (Status s = talk_.Pulse(*plan_.reset_line, Duration::Milliseconds(100)); !s.ok()) {
    if (s.code() == Code::kInterrupted || s.code() == Code::kDisconnected) {
      status_ = s;
      return false;
    }
    basis.why = s.message();
    return true;
  }
  const Instant released = talk_.Now();
  Result<Heard> heard = talk_.Listen(Duration::Seconds(4));
  if (!heard.ok()) {
    status_ = heard.status();
    return false;
  }
  AddEvidence(basis, *heard);
  const Heard banner = WithoutUnasked(*heard, profile_.unsolicited, disturbed_);
  const Bytes bytes = banner.bytes();
  if (bytes.empty()) {
    basis.sure = Found::kNotFound;
    basis.why = "nothing came within 4 s of the reset";
  } else if (!Readable(bytes)) {
    basis.sure = Found::kUnsure;
    basis.why = "something unreadable came: the first rate tried is probably not the banner's";
  } else {
    profile_.banner = bytes;
    profile_.banner_after = banner.pieces.front().at - released;
    basis.sure = Found::kLikely;
    basis.why = "came once after the reset, before any command";
  }
  return true;
}

// At a wrong rate a banner is rubbish, or nothing at all: once the rate is known it is listened for
// again.
bool Surveyor::BannerAgain() {
  const bool open = profile_.banner.empty() && profile_.banner_basis.sure != Found::kNotTried;
  return !open || line_ == plan_.line || Banner();
}

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
  progress_("trying " + FormatLineSettings(line));
  line_ = line;
  const int came_back_before = came_back_;
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
  if (came_back_ - came_back_before == static_cast<int>(std::size(kSurveyEndings)))
    comes_back_whole_ = true;
  return true;
}

// For the diagnosis: what kind of thing was heard.
void Surveyor::Note(const Heard& heard) {
  if (heard.nothing()) return;
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
  // Late answers to what was tried before must not be taken for answers to this.
  Bytes talked;
  bool quiet = false;
  if (!UntilSilent(Duration::Milliseconds(2500), Duration::Seconds(6), talked, quiet)) return false;
  const Patience patience = {Duration::Seconds(5), Duration::Milliseconds(500),
                             Duration::Seconds(8), Duration::Milliseconds(2500)};
  Basis basis;
  Bytes all;
  std::vector<Heard> answers;
  std::vector<Bytes> refusals;
  const auto ask = [&](ByteView command, Heard& heard) {
    if (!Ask(command, ending.name, patience, heard)) return false;
    AddEvidence(basis, heard);
    all += heard.bytes();
    return true;
  };
  std::size_t bad = 0;  // framing or parity errors: not this rate and format
  for (const ByteView unknown : {kUnknownQuery, kOtherUnknownQuery, ByteView()}) {
    Heard heard;
    if (!ask(plan_.query, heard)) return false;
    bad += heard.bad_bytes;
    // What has nothing to say to the query is not to be asked further.
    if (answers.empty() && !Readable(Body(heard))) return true;
    answers.push_back(heard);
    if (unknown.empty()) break;
    if (!ask(unknown, heard)) return false;
    refusals.push_back(Body(heard));
  }
  // The shortest is the one without anything said unasked. Something said unasked that happens to
  // follow a query comes after another time on each.
  Bytes wanted;
  for (const Heard& answer : answers) {
    const Bytes body = Body(answer);
    if (Readable(body) && (wanted.empty() || body.size() < wanted.size())) wanted = body;
  }
  std::vector<Duration> turnarounds;
  for (const Heard& answer : answers) {
    if (const auto turnaround = TimingOf(answer, line_).turnaround; turnaround)
      turnarounds.push_back(*turnaround);
  }
  std::sort(turnarounds.begin(), turnarounds.end());
  const bool in_step =
      turnarounds.empty() || turnarounds.back() - turnarounds.front() <=
                                 turnarounds.front() / 2 + Duration::Milliseconds(200);
  std::size_t front = 0;
  const auto alike = [&](const Bytes& one, const Bytes& other) {
    return one == other || IsWithInsertion(one, other, front) || IsWithInsertion(other, one, front);
  };
  const auto same = std::count_if(answers.begin(), answers.end(), [&](const Heard& answer) {
    return IsWithInsertion(Body(answer), wanted, front);
  });
  const bool elsewhere = talked.find(wanted) != Bytes::npos || alike(wanted, refusals[0]) ||
                         alike(wanted, refusals[1]);
  // Line noise and what comes back mangled at a wrong rate change with what is sent.
  const auto one_saying_apart = [&](const Bytes& one, const Bytes& other) {
    return IsWithInsertion(one, other, front) &&
           MayBeUnasked(ByteView(one).substr(front, one.size() - other.size()), false);
  };
  const bool refuses_alike = refusals[0] == refusals[1] || refusals[0].empty() ||
                             refusals[1].empty() || one_saying_apart(refusals[0], refusals[1]) ||
                             one_saying_apart(refusals[1], refusals[0]);
  const auto unreadable = std::count_if(all.begin(), all.end(), [](char c) {
    return (c < 0x20 || c > 0x7E) && c != '\r' && c != '\n' && c != '\t';
  });
  understood = same >= 2 && in_step && !elsewhere && refuses_alike && bad == 0 &&
               static_cast<std::size_t>(unreadable) * 20 <= all.size();
  if (!understood) {
    ++readable_;
    return true;
  }
  answer_ = wanted;
  turnaround_ = turnarounds.empty() ? Duration::Zero() : turnarounds.back();
  basis.sure = same == 3 ? Found::kSure : Found::kLikely;
  basis.why = "readable answers at " + FormatLineSettings(line_) + ", " + std::to_string(same) +
              " of 3 alike" +
              (line_.stop_bits == StopBits::kOne ? " (two stop bits would look the same)" : "");
  profile_.line_basis = basis;
  profile_.piece_gap = PieceGap(line_);
  return true;
}

void Surveyor::Diagnose() {
  Basis& basis = profile_.state_basis;
  profile_.line.baud = 0;
  profile_.line_basis.sure = Found::kNotFound;
  profile_.line_basis.why = "no rate and format that was tried gave answers";
  profile_.line_basis.tries = basis.tries;
  basis.sure = Found::kLikely;
  if (comes_back_whole_) {
    profile_.state = ModuleState::kAllComesBack;
    basis.why =
        "what was sent came back, and nothing else, " + std::to_string(came_back_) + " times";
    profile_.check = {
        "Is a data session open? Then commands go to the far side and come back from there: end "
        "the session or power the module off and on",
        "Are TX and RX of the adapter joined? Take the module off: if it still comes back, yes",
        "A module that only echoes may want another line ending or rate"};
  } else if (readable_ > 0) {
    profile_.state = ModuleState::kTalksOnly;
    basis.sure = Found::kUnsure;
    basis.why = "readable text came, but no query was answered otherwise than what cannot exist";
    profile_.check = {
        "The module may only talk (a receiver, a sensor): record it with `bytewitness record`",
        "It may want another query than " + ToEscapes(plan_.query) + ": give one with --query",
        "Is the adapter's TX wired to the module's RX, and are the levels right?"};
  } else if (unreadable_ > 0) {
    profile_.state = ModuleState::kUnreadable;
    basis.why = "bytes came, readable at no rate that was tried";
    profile_.check = {"Wrong rate: give others with --bauds",
                      "Is the signal inverted (RS-232 levels on a logic pin or the other way)?",
                      "It may speak a binary protocol: record it with `bytewitness record`",
                      "Are the grounds joined?"};
  } else {
    profile_.state = ModuleState::kSilent;
    basis.why = "nothing was ever heard";
    profile_.check = {"Is the wiring crossed? The adapter's TX goes to the module's RX and back",
                      "Is it powered, are the grounds joined, and do the levels match?",
                      "Has it an enable, wake or mode pin that must be set?",
                      "Is a session open from before? Power it off and on",
                      "It may want another rate (--bauds), another query (--query) or more time"};
  }
}

}  // namespace witness
