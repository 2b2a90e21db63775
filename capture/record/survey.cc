#include "capture/record/survey.h"

#include <algorithm>
#include <cctype>
#include <map>
#include <optional>

#include "capture/base/text.h"

namespace witness {
namespace {

// A query that cannot exist: how the module says no.
constexpr ByteView kUnknown = "AT+ZZQ?";
constexpr Duration kShortQuiet = Duration::Milliseconds(300);

struct Ending {
  const char* name;
  const char* bytes;
};
// CR before CR LF: where both are taken, CR alone leaves nothing behind and its echo comes in one.
// Bare last, since what it leaves in a module's buffer spoils what follows.
constexpr Ending kEndings[] = {{"CR", "\r"}, {"CR LF", "\r\n"}, {"LF", "\n"}, {"none", ""}};

bool Readable(ByteView bytes) {
  return bytes.size() >= 2 && std::all_of(bytes.begin(), bytes.end(), [](char c) {
           return (c >= 0x20 && c <= 0x7E) || c == '\r' || c == '\n' || c == '\t';
         });
}

// How many bytes at the front of what was heard are the command coming back.
std::size_t EchoLength(const Heard& heard) {
  const Bytes all = heard.bytes();
  std::size_t bare = heard.sent.size();
  while (bare > 0 && (heard.sent[bare - 1] == '\r' || heard.sent[bare - 1] == '\n')) --bare;
  std::size_t same = 0;
  while (same < std::min(all.size(), heard.sent.size()) && all[same] == heard.sent[same]) ++same;
  // Of the ending as much as comes back before the answer.
  return bare >= 2 && same >= bare ? same : 0;
}

Bytes Body(const Heard& heard) { return heard.bytes().substr(EchoLength(heard)); }

Bytes Lower(ByteView text) {
  Bytes out(text);
  for (char& c : out) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return out;
}

// True if `text` is `wanted` with at most one run of bytes put in, as by something said unasked.
bool IsWithInsertion(const Bytes& text, const Bytes& wanted, std::size_t& front) {
  front = 0;
  if (text.size() < wanted.size() || wanted.empty()) return false;
  while (front < wanted.size() && text[front] == wanted[front]) ++front;
  std::size_t back = 0;
  while (back < wanted.size() - front &&
         text[text.size() - 1 - back] == wanted[wanted.size() - 1 - back])
    ++back;
  return front + back == wanted.size();
}

// A reply's timing, its echo left out.
struct Timing {
  std::optional<Duration> turnaround;
  std::uint32_t pieces = 0;
  Duration longest_pause;
};

// Reads that lie closer together than this are one piece: bytes of one burst reach us in several
// reads.
Duration PieceGap(const LineSettings& line) {
  return std::max(Duration::Milliseconds(5), line.CharacterTime() * 3);
}

Timing TimingOf(const Heard& heard, const LineSettings& line) {
  Timing out;
  std::size_t skip = EchoLength(heard);
  std::optional<Instant> last;
  for (const HeardPiece& piece : heard.pieces) {
    if (skip >= piece.bytes.size()) {
      skip -= piece.bytes.size();
      continue;
    }
    skip = 0;
    // The stamp is of the piece's end; its first byte came earlier by its own length.
    const Duration length =
        line.CharacterTime() * static_cast<std::int64_t>(piece.bytes.size() - 1);
    const Instant began = std::max(piece.at - length, last.value_or(heard.sent_by));
    if (!last) {
      out.turnaround = std::max(Duration::Zero(), began - heard.sent_by);
      out.pieces = 1;
    } else if (began - *last >= PieceGap(line)) {
      ++out.pieces;
      out.longest_pause = std::max(out.longest_pause, began - *last);
    }
    last = piece.at;
  }
  return out;
}

void AddEvidence(Basis& basis, const Heard& heard) {
  ++basis.tries;
  if (basis.events.size() > 40) return;
  if (!heard.sent.empty()) basis.events.push_back(heard.sent_event);
  for (const HeardPiece& piece : heard.pieces)
    if (basis.events.empty() || basis.events.back() != piece.event)
      basis.events.push_back(piece.event);
}

class Surveyor {
 public:
  Surveyor(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
           const std::function<void(const std::string&)>& progress)
      : talk_(conversation), plan_(plan), profile_(profile), progress_(progress) {}

  Status Run() {
    profile_.line = plan_.line;
    if (Banner() && FindLine()) {
      Endings() && Echo() && Case() && Longest() && Commands() && Unsolicited();
    }
    return status_;
  }

 private:
  // --- talking; each returns false when the survey cannot go on ---

  bool Ask(ByteView bytes, const Patience& patience, Heard& heard) {
    Result<Heard> got = talk_.Exchange(bytes, patience);
    if (!got.ok()) {
      status_ = got.status();
      return false;
    }
    heard = *std::move(got);
    return true;
  }

  bool Ask(ByteView command, const std::string& ending, const Patience& patience, Heard& heard) {
    return Ask(Bytes(command) + BytesOfEnding(ending), patience, heard);
  }

  bool Pause(Duration length) {
    Result<Heard> heard = talk_.Listen(length);
    if (!heard.ok()) status_ = heard.status();
    return heard.ok();
  }

  Patience Usual() const {
    return {std::max(Duration::Seconds(2), turnaround_ * 3), quiet_, Duration::Seconds(20)};
  }

  // The answer to the query, though something may have been said unasked in its middle.
  bool IsAnswer(const Heard& heard) const {
    std::size_t front = 0;
    return IsWithInsertion(Body(heard), answer_, front);
  }

  // --- before any command ---

  bool Banner() {
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
    const Bytes bytes = heard->bytes();
    if (bytes.empty()) {
      basis.sure = Found::kNotFound;
      basis.why = "nothing came within 4 s of the reset";
    } else if (!Readable(bytes)) {
      basis.sure = Found::kUnsure;
      basis.why = "something unreadable came: the first rate tried is probably not the banner's";
    } else {
      profile_.banner = bytes;
      profile_.banner_after = heard->pieces.front().at - released;
      basis.sure = Found::kLikely;
      basis.why = "came once after the reset, before any command";
    }
    return true;
  }

  // --- rate, format, first ending ---

  bool FindLine() {
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
          profile_.state_basis.why =
              "it answers a query otherwise than a command that cannot exist";
          return true;
        }
      }
    }
    Diagnose();
    return false;
  }

  bool TryLine(const LineSettings& line, Duration wait, bool& found) {
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
    for (const Ending& ending : kEndings) {
      Patience patience = {wait, kShortQuiet, Duration::Seconds(5)};
      if (*ending.bytes == '\0') patience.wait = wait + Duration::Milliseconds(1200);
      Heard heard;
      // What an earlier try left in the module's buffer is ended first.
      const Patience brief = {wait / 2, kShortQuiet, Duration::Seconds(5)};
      if (*ending.bytes != '\0' ? !Ask(ending.bytes, brief, heard)
                                : !Pause(Duration::Milliseconds(1500)))
        return false;
      if (!Ask(plan_.query, ending.name, patience, heard)) return false;
      Note(heard);
      if (!Readable(Body(heard))) continue;
      bool understood = false;
      if (!Confirm(ending, patience, heard, understood)) return false;
      if (understood) {
        found = true;
        profile_.line = line;
        profile_.send_ending = ending.name;
        return true;
      }
    }
    if (came_back_ - came_back_before == static_cast<int>(std::size(kEndings)))
      comes_back_whole_ = true;
    return true;
  }

  // For the diagnosis: what kind of thing was heard.
  void Note(const Heard& heard) {
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
  bool Confirm(const Ending& ending, const Patience& patience, const Heard& first,
               bool& understood) {
    std::vector<Bytes> answers = {Body(first)};
    std::vector<Bytes> others;
    std::size_t bad = first.bad_bytes;  // framing or parity errors: not this rate and format
    Basis basis;
    AddEvidence(basis, first);
    for (int round = 0; round < 3; ++round) {
      Heard heard;
      if (!Ask(kUnknown, ending.name, patience, heard)) return false;
      others.push_back(Body(heard));
      AddEvidence(basis, heard);
      if (!Ask("", patience, heard)) return false;
      others.push_back(heard.bytes());
      if (!Ask(plan_.query, ending.name, patience, heard)) return false;
      answers.push_back(Body(heard));
      bad += heard.bad_bytes;
      AddEvidence(basis, heard);
    }
    // The shortest is the one without anything said unasked.
    Bytes wanted;
    for (const Bytes& answer : answers)
      if (Readable(answer) && (wanted.empty() || answer.size() < wanted.size())) wanted = answer;
    const auto same = std::count_if(answers.begin(), answers.end(), [&](const Bytes& answer) {
      std::size_t front = 0;
      return IsWithInsertion(answer, wanted, front);
    });
    const bool elsewhere = std::find(others.begin(), others.end(), wanted) != others.end();
    understood = same >= 3 && !elsewhere && bad == 0;
    if (!understood) {
      ++readable_;
      return true;
    }
    answer_ = wanted;
    const Timing timing = TimingOf(first, line_);
    turnaround_ = timing.turnaround.value_or(Duration::Zero());
    basis.sure = same == 4 ? Found::kSure : Found::kLikely;
    basis.why = "readable answers at " + FormatLineSettings(line_) + ", " + std::to_string(same) +
                " of 4 alike" +
                (line_.stop_bits == StopBits::kOne ? " (two stop bits would look the same)" : "");
    profile_.line_basis = basis;
    return true;
  }

  void Diagnose() {
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

  // --- endings and silence ---

  // Brings the module back to where a command begins.
  bool Clean() {
    if (profile_.send_ending == "none")
      return Pause(std::max(Duration::Milliseconds(1500), turnaround_ * 2));
    for (int i = 0; i < 3; ++i) {
      Heard heard;
      if (!Ask(plan_.query, profile_.send_ending, Usual(), heard)) return false;
      if (IsAnswer(heard)) return true;
    }
    return true;
  }

  bool Endings() {
    progress_("which line ending does it take?");
    Basis& basis = profile_.ending_basis;
    const std::string first = profile_.send_ending;
    std::map<std::string, int> good;
    for (const Ending& ending : kEndings) {
      for (int round = 0; round < 2; ++round) {
        if (!Clean()) return false;
        Heard heard;
        if (!Ask(plan_.query, ending.name, Usual(), heard)) return false;
        AddEvidence(basis, heard);
        good[ending.name] += IsAnswer(heard);
      }
    }
    if (!Clean()) return false;
    for (const char* name : {"none", "CR", "LF", "CR LF"})
      if (good[name] == 2) profile_.accepted_endings.emplace_back(name);
    const bool bare = good["none"] == 2;
    profile_.must_be_bare = bare && profile_.accepted_endings.size() == 1;
    profile_.send_ending = bare && profile_.must_be_bare ? "none"
                           : good["CR"] == 2             ? "CR"
                           : good["CR LF"] == 2          ? "CR LF"
                           : good["LF"] == 2             ? "LF"
                                                         : first;
    const bool steady =
        std::all_of(good.begin(), good.end(), [](const auto& entry) { return entry.second != 1; });
    basis.sure = profile_.accepted_endings.empty() ? Found::kUnsure
                 : steady                          ? Found::kSure
                                                   : Found::kLikely;
    basis.why = "each ending tried twice, from a clean beginning";
    if (good["CR LF"] == 2 && good["CR"] == 2 && !Leftover()) return false;
    return !bare || Silence();
  }

  // Does the LF of a CR LF stay behind and spoil the next command?
  bool Leftover() {
    int spoilt = 0;
    for (int round = 0; round < 2; ++round) {
      Heard heard;
      if (!Ask(plan_.query, "CR LF", Usual(), heard)) return false;
      if (!Ask(plan_.query, "CR", Usual(), heard)) return false;
      spoilt += !IsAnswer(heard);
      AddEvidence(profile_.ending_basis, heard);
      if (!Clean()) return false;
    }
    profile_.leftover_spoils = spoilt == 2;
    return true;
  }

  // The silence after which a bare command is taken: the query in two halves, further and further
  // apart, until it is no longer taken as one.
  bool Silence() {
    progress_("how long a silence ends a command?");
    Bytes query = plan_.query;
    const Bytes head = query.substr(0, query.size() / 2);
    const Bytes tail = query.substr(query.size() / 2);
    Duration low = Duration::Zero();
    Duration high = std::max(turnaround_, Duration::Milliseconds(20)) + Duration::Milliseconds(50);
    const auto joined = [&](Duration gap, bool& one) {
      if (!Pause(std::max(Duration::Milliseconds(1500), turnaround_ * 2))) return false;
      Heard heard;
      if (!Ask(head, {gap, gap, gap}, heard)) return false;
      if (!Ask(tail, Usual(), heard)) return false;
      AddEvidence(profile_.ending_basis, heard);
      // An echoing module gives the halves back apart; something unasked may come behind.
      one = heard.bytes().find(answer_) != Bytes::npos;
      return true;
    };
    bool one = false;
    if (!joined(high, one)) return false;
    if (one) return true;  // not a silence after all: left open
    while (high - low > std::max(Duration::Milliseconds(10), high / 20)) {
      const Duration middle = low + (high - low) / 2;
      if (!joined(middle, one)) return false;
      // Something said unasked may have spoilt one try.
      if (!one && !joined(middle, one)) return false;
      (one ? low : high) = middle;
    }
    // The module counts until the next character is complete.
    profile_.silence_at_least = low + line_.CharacterTime();
    profile_.silence_at_most = high + line_.CharacterTime();
    return true;
  }

  // --- echo, letter case, longest command ---

  bool Echo() {
    progress_("does it echo?");
    Basis& basis = profile_.echo_basis;
    const Bytes longer = "AT+ZZQ0123456789ABCDEF?";
    int echoed = 0;
    int early = 0;
    int late = 0;
    for (int round = 0; round < 3; ++round) {
      Heard heard;
      if (!Ask(longer, profile_.send_ending, Usual(), heard)) return false;
      AddEvidence(basis, heard);
      if (EchoLength(heard) == 0) continue;
      ++echoed;
      const Duration leaving = heard.sent_by - heard.sent_at;
      if (leaving < Duration::Milliseconds(4)) continue;  // too fast to tell
      (heard.pieces.front().at < heard.sent_at + leaving / 2 ? early : late) += 1;
    }
    profile_.echo = echoed < 2   ? EchoKind::kOff
                    : early >= 2 ? EchoKind::kByCharacter
                    : late >= 2  ? EchoKind::kWhole
                                 : EchoKind::kOn;
    basis.sure = echoed == 0 || echoed == 3 ? Found::kSure : Found::kLikely;
    basis.why = std::to_string(echoed) + " of 3 commands came back";
    if (profile_.echo == EchoKind::kOn) basis.why += "; at this rate not to be told how";
    return Clean();
  }

  bool Case() {
    Basis& basis = profile_.case_basis;
    const Bytes small = Lower(plan_.query);
    if (small == plan_.query) {
      basis.why = "the query has no capital letters";
      return true;
    }
    progress_("does it take small letters?");
    int taken = 0;
    for (int round = 0; round < 2; ++round) {
      Heard heard;
      if (!Ask(small, profile_.send_ending, Usual(), heard)) return false;
      AddEvidence(basis, heard);
      taken += IsAnswer(heard);
    }
    profile_.letter_case = taken == 2   ? LetterCase::kAny
                           : taken == 0 ? LetterCase::kAsWrittenOnly
                                        : LetterCase::kUnspecified;
    basis.sure = taken == 1 ? Found::kUnsure : Found::kSure;
    basis.why = std::to_string(taken) + " of 2 queries in small letters were answered alike";
    return Clean();
  }

  bool Longest() {
    Basis& basis = profile_.longest_basis;
    if (!plan_.find_longest) {
      basis.why = "not asked for (--longest)";
      return true;
    }
    progress_("how long may a command be?");
    Heard heard;
    if (!Ask(kUnknown, profile_.send_ending, Usual(), heard)) return false;
    const Bytes no = Body(heard);
    if (no.empty()) {
      basis.sure = Found::kNotFound;
      basis.why = "it does not say no, so a command that is too long cannot be told";
      return true;
    }
    std::size_t taken = kUnknown.size();
    std::size_t refused = 2048;
    while (refused - taken > 1) {
      const std::size_t size = taken < 1024 && refused == 2048 ? taken * 2 : (taken + refused) / 2;
      if (size >= refused) break;
      const Bytes command = "AT+ZZQ" + Bytes(size - 7, 'Q') + "?";
      if (!Ask(command, profile_.send_ending, Usual(), heard)) return false;
      AddEvidence(basis, heard);
      (Body(heard) == no ? taken : refused) = size;
      if (Body(heard) != no && !Clean()) return false;
    }
    profile_.longest_command = static_cast<std::uint32_t>(taken);
    basis.sure = refused == 2048 ? Found::kUnsure : Found::kLikely;
    basis.why = refused == 2048 ? "no limit seen up to so many bytes"
                                : "the longest that is still refused as an unknown command is";
    return true;
  }

  // --- the list ---

  bool Commands() {
    profile_.unknown.command = kUnknown;
    if (!Repeat(profile_.unknown)) return false;
    std::vector<SurveyCommand> commands = plan_.commands;
    if (commands.empty()) commands = BuiltInCommands();
    // Queries first, in the author's order; then changes, the most dangerous last.
    const auto rank = [](const SurveyCommand& command) {
      constexpr const char* kOrder[] = {"", "set", "store", "reset", "delete", "rate"};
      const auto* at = std::find(std::begin(kOrder), std::end(kOrder), command.change);
      return at - std::begin(kOrder);
    };
    std::stable_sort(commands.begin(), commands.end(),
                     [&](const auto& a, const auto& b) { return rank(a) < rank(b); });
    for (const SurveyCommand& command : commands) {
      ProfileReply reply;
      reply.command = command.text;
      reply.change = command.change;
      if (!MaySend(command, plan_)) {
        if (reply.change.empty()) reply.change = "looks like a change";
        reply.outcome = ReplyOutcome::kNotSent;
        reply.basis.why = "changes were not allowed (--allow-changes)";
        profile_.replies.push_back(std::move(reply));
        continue;
      }
      progress_("asking " + ToEscapes(command.text));
      const bool went_on = Repeat(reply);
      if (reply.basis.tries > 0) profile_.replies.push_back(std::move(reply));
      if (!went_on) return false;
    }
    return true;
  }

  bool Repeat(ProfileReply& reply) {
    // A change is made once; asking is repeated.
    const int times = reply.change.empty() ? plan_.repeats : 1;
    std::vector<std::pair<Bytes, Heard>> heards;
    Patience patience = Usual();
    patience.quiet = Duration::Seconds(1);
    for (int i = 0; i < times; ++i) {
      Heard heard;
      if (!Ask(reply.command, profile_.send_ending, patience, heard)) return false;
      AddEvidence(reply.basis, heard);
      heards.emplace_back(Body(heard), std::move(heard));
    }
    // What came unasked in the middle of an answer is what the other answers do without.
    std::map<Bytes, int> counts;
    for (const auto& [body, heard] : heards) ++counts[body];
    const Bytes usual =
        std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) {
          return a.second < b.second;
        })->first;
    std::map<Bytes, int> texts;
    std::vector<Bytes> order;
    for (auto& [body, heard] : heards) {
      bool disturbed = false;
      if (counts[usual] * 2 > times && body != usual)
        disturbed = TakeOutUnasked(body, usual, heard);
      if (!disturbed) {
        const Timing timing = TimingOf(heard, line_);
        if (timing.turnaround) reply.turnarounds.push_back(*timing.turnaround);
        if (timing.pieces > 1) reply.longest_pauses.push_back(timing.longest_pause);
        reply.most_pieces = std::max(reply.most_pieces, timing.pieces);
      }
      if (body.empty()) continue;
      if (texts[body]++ == 0) order.push_back(body);
    }
    std::stable_sort(order.begin(), order.end(),
                     [&](const Bytes& a, const Bytes& b) { return texts[a] > texts[b]; });
    reply.texts = order;
    const bool refused = !profile_.unknown.texts.empty() && &reply != &profile_.unknown &&
                         order == profile_.unknown.texts;
    reply.outcome = order.empty() ? ReplyOutcome::kNoAnswer
                    : refused     ? ReplyOutcome::kRefused
                                  : ReplyOutcome::kAnswered;
    const bool alike = order.size() <= 1 && (order.empty() || texts[order[0]] == times);
    reply.basis.sure = times == 1 ? Found::kLikely : alike ? Found::kSure : Found::kLikely;
    reply.basis.why = order.size() > 1 ? std::to_string(order.size()) + " different answers in " +
                                             std::to_string(times)
                      : alike ? std::to_string(times) + " alike"
                              : "not answered each time";
    return true;
  }

  // True if `body` is `usual` (which may be silence) with a run of bytes put in; the run is then
  // counted as unsolicited.
  bool TakeOutUnasked(Bytes& body, const Bytes& usual, const Heard& heard) {
    std::size_t front = 0;
    if (body.size() == usual.size()) return false;
    if (!usual.empty() && !IsWithInsertion(body, usual, front)) return false;
    // Where equal bytes leave several places for the run, one that ends with a line is meant.
    const std::size_t length = body.size() - usual.size();
    for (std::size_t f = front + 1; f-- > 0;) {
      if (body.substr(0, f) + body.substr(f + length) != usual) break;
      if (body[f + length - 1] != '\n' && body[f + length - 1] != '\r') continue;
      front = f;
      break;
    }
    CountUnasked(body.substr(front, length), heard);
    body = usual;
    return true;
  }

  void CountUnasked(const Bytes& text, const Heard& heard) {
    for (ProfileUnsolicited& one : profile_.unsolicited) {
      if (one.text != text) continue;
      ++one.times;
      AddEvidence(one.basis, heard);
      return;
    }
    ProfileUnsolicited one;
    one.text = text;
    one.times = 1;
    AddEvidence(one.basis, heard);
    one.basis.sure = Found::kLikely;
    one.basis.why = heard.sent.empty() ? "came while only listening" : "came inside an answer";
    profile_.unsolicited.push_back(std::move(one));
  }

  bool Unsolicited() {
    progress_("listening for what it says unasked");
    Result<Heard> heard = talk_.Listen(plan_.listen);
    if (!heard.ok()) {
      status_ = heard.status();
      return false;
    }
    profile_.listened = plan_.listen;
    // One saying ends with an LF or a pause.
    Heard one;
    const auto flush = [&] {
      if (!one.pieces.empty()) CountUnasked(one.bytes(), one);
      one.pieces.clear();
    };
    for (const HeardPiece& piece : heard->pieces) {
      if (!one.pieces.empty() && (piece.at - one.pieces.back().at > Duration::Milliseconds(100) ||
                                  one.pieces.back().bytes.ends_with('\n')))
        flush();
      one.pieces.push_back(piece);
    }
    flush();
    Basis& basis = profile_.unsolicited_basis;
    AddEvidence(basis, *heard);
    basis.sure = profile_.unsolicited.empty() ? Found::kNotFound : Found::kSure;
    basis.why = "listened for " + FormatDuration(plan_.listen);
    return true;
  }

  Conversation& talk_;
  const SurveyPlan& plan_;
  Profile& profile_;
  const std::function<void(const std::string&)>& progress_;
  Status status_;
  LineSettings line_;
  Bytes answer_;  // to the query
  Duration turnaround_;
  Duration quiet_ = Duration::Milliseconds(500);
  int came_back_ = 0;
  bool comes_back_whole_ = false;  // at one line, all that was sent
  int readable_ = 0;
  int unreadable_ = 0;
};

}  // namespace

Status RunSurvey(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
                 const std::function<void(const std::string&)>& progress) {
  if (plan.query.size() < 2 || (!plan.allow_changes && LooksLikeChange(plan.query)))
    return Status(Code::kInvalidArgument,
                  "query '" + ToEscapes(plan.query) +
                      "' is too short or looks like a change: choose one that only asks");
  return Surveyor(conversation, plan, profile, progress).Run();
}

}  // namespace witness
