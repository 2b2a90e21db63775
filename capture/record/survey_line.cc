// Rate, format and a first ending.
//
// First each line is looked at for any sign of life: a burst of the query with each ending, so that
// whatever ends a command there is something to answer; then the query bare, after a silence. Only
// where something came back is asked with patience, ending by ending. What shows text but for its
// parity tells the rate: the other formats are then tried at it.
//
// Nothing that stays in a module's buffer may become an acting command with what is sent next, by
// whatever the module ends a command and however long a silence it wants. So between a query and
// what begins like a command there is kJoint, always: behind each look, before each try, and in
// Confirm() by the order of what is asked.
#include <algorithm>
#include <iterator>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {
namespace {

const auto ms = [](int n) { return Duration::Milliseconds(n); };

// Or text that came with errors.
bool MayBeOtherFormat(const Heard& heard) {
  const Bytes all = heard.bytes();
  return IsOtherFormat(all) || (all.size() >= 3 && Readable(all) && heard.bad_bytes > 0);
}

// A sign of life: text at the end of what was heard, also a mere echo. What stands before may be
// rubbish that the module had in its buffer from other rates, and gives back with it.
bool IsAlive(const Heard& heard, ByteView query) {
  const Bytes all = heard.bytes();
  for (const Bytes& sent : {Bytes(query) + "\r", Bytes(kJoint) + "\r"})
    if (all.find(sent) != Bytes::npos) return true;
  const Bytes end = all.substr(all.size() - std::min<std::size_t>(all.size(), 6));
  const auto text = std::count_if(end.begin(), end.end(), IsPlainByte);
  const auto nuls = std::count(end.begin(), end.end(), '\0');  // of which rubbish is full
  return heard.bad_bytes == 0 && text >= 2 && text * 3 >= std::ssize(end) &&
         nuls * 2 < std::ssize(end) && std::all_of(end.begin(), end.end(), [](char c) {
           return IsPlainByte(c) || IsTextFraming(c);
         });
}

}  // namespace

std::vector<Surveyor::LineTry> Surveyor::LinesToTry() const {
  std::vector<LineTry> lines;
  if (plan_.line_is_known) {
    lines.push_back({plan_.line});
    return lines;
  }
  for (const std::string& format : plan_.formats) {
    for (const std::uint32_t baud : plan_.bauds) {
      LineSettings line = plan_.line;
      if (!ParseFormat(format, line).ok()) continue;
      line.baud = baud;
      lines.push_back({line});
    }
  }
  const auto add_rare = [&](const std::string& format, const std::vector<std::uint32_t>& bauds) {
    LineSettings line = plan_.line;
    if (!ParseFormat(format, line).ok()) return;
    for (const std::uint32_t baud : bauds) {
      line.baud = baud;
      lines.push_back({line, true});
    }
  };
  for (const std::string& format : plan_.formats) add_rare(format, plan_.rare_bauds);
  for (const std::string& format : plan_.rare_formats) add_rare(format, plan_.bauds);
  return lines;
}

bool Surveyor::FindLine() {
  std::vector<LineTry> lines = LinesToTry();
  const auto usual_end =
      std::find_if(lines.begin(), lines.end(), [](const LineTry& one) { return one.rare; });
  const auto usual = static_cast<std::size_t>(usual_end - lines.begin());
  lines_left_ = usual;
  bool found = false;
  std::size_t begin = 0;
  while (begin < usual && !found)
    if (!LookAtOneFormat(lines, begin, found)) return false;
  if (!found && !LookPatiently(lines, usual, found)) return false;
  // The rare rates, in the first format.
  patient_ = false;
  begin = usual;
  if (!found && usual < lines.size() && SameFormat(lines[usual], lines[0]) &&
      !LookAtOneFormat(lines, begin, found))
    return false;
  if (!found) {
    Diagnose();
    return false;
  }
  profile_.state = ModuleState::kAnswers;
  profile_.state_basis = profile_.line_basis;
  profile_.state_basis.sure = answered_;
  profile_.state_basis.why = "it answers a query otherwise than a command that cannot exist";
  return true;
}

bool Surveyor::SameFormat(const LineTry& a, const LineTry& b) {
  return a.line.data_bits == b.line.data_bits && a.line.parity == b.line.parity;
}

// Each rate with endings, then each bare. `begin`: at first the first line, then behind the last.
bool Surveyor::LookAtOneFormat(std::vector<LineTry>& lines, std::size_t& begin, bool& found) {
  const std::size_t first = begin;
  while (begin < lines.size() && SameFormat(lines[first], lines[begin]) &&
         lines[first].rare == lines[begin].rare)
    ++begin;
  for (const bool bare : {false, true}) {
    for (std::size_t i = first; i < begin; ++i) {
      if (!Look(lines[i], bare, found)) return false;
      if (found) return true;
      if (!lines[i].other_format) continue;
      for (LineTry& other : lines) {
        if (other.line.baud != lines[i].line.baud || SameFormat(other, lines[i])) continue;
        if (other.rare && !lines[i].rare && !lines[i].high) continue;
        for (const bool also_bare : {false, true}) {
          if (!Look(other, also_bare, found)) return false;
          if (found) return true;
        }
      }
      lines[i].other_format = false;
    }
  }
  return true;
}

// Slow modules: with more patience wherever anything was heard, perhaps late, and at every rate of
// the first format.
bool Surveyor::LookPatiently(std::vector<LineTry>& lines, std::size_t usual, bool& found) {
  std::vector<std::size_t> patiently;
  for (const bool heard : {true, false}) {
    for (std::size_t i = 0; i < usual; ++i) {
      const bool near = lines[i].heard || (i + 1 < usual && lines[i + 1].heard);
      if (near == heard && (near || SameFormat(lines[i], lines[0]))) patiently.push_back(i);
    }
  }
  lines_left_ = patiently.size();
  patient_ = true;
  for (const std::size_t i : patiently) {
    first_format_ = SameFormat(lines[i], lines[0]);
    lines[i].looked = lines[i].looked_bare = false;
    for (const bool bare : {false, true}) {
      if (!Look(lines[i], bare, found)) return false;
      if (found) return true;
    }
  }
  return true;
}

bool Surveyor::UseLine(const LineSettings& line, bool& possible) {
  const Result<LineSettings> got = talk_.Configure(line);
  possible = got.ok();
  if (!possible &&
      (got.status().code() == Code::kInterrupted || got.status().code() == Code::kDisconnected)) {
    status_ = got.status();
    return false;
  }
  line_ = line;
  log_.clear();
  no_ending_back_ = ending_back_ = 0;
  profile_.unsolicited.clear();
  return true;
}

bool Surveyor::Look(LineTry& one, bool bare, bool& found) {
  if (bare ? one.looked_bare : one.looked) return true;
  (bare ? one.looked_bare : one.looked) = true;
  bool possible = false;
  if (!UseLine(one.line, possible)) return false;
  if (lines_left_ > 0 && bare) --lines_left_;
  if (!possible) return true;  // this port cannot do it
  Tell((one.line.baud == 0 ? "asking for a first answer"
                           : "trying " + FormatLineSettings(one.line)) +
       (bare ? ", without a line ending" : "") + (patient_ ? ", with more patience" : ""));
  bool life = false;
  Duration late;
  const auto send = [&](const Bytes& bytes, Duration wait, bool closes) {
    Heard heard;
    if (!Ask(bytes, {wait, ms(150), Duration::Seconds(2)}, heard)) return false;
    if (heard.nothing()) return true;
    if (!closes) Note(heard);
    one.heard = true;
    one.other_format = one.other_format || MayBeOtherFormat(heard);
    one.high = one.high || (IsOtherFormat(heard.bytes()) && IsAllHigh(heard.bytes()));
    life = life || IsAlive(heard, plan_.query);
    late = std::max(late, heard.pieces.back().at - heard.sent_by);
    return true;
  };
  const Bytes& query = plan_.query;
  const Bytes joint(kJoint);
  const Bytes end = joint + "\r\n";
  if (bare) {
    const Duration pause = ms(!patient_ ? 800 : first_format_ ? 3200 : 1500);
    // The joint comes soon, before a module falls asleep that would lose it; or else it is woken.
    if (!Pause(pause) || !send(query, ms(patient_ ? 4700 : 850), false)) return false;
    if (patient_ && !send("\r\n", ms(300), true)) return false;
    if (!send(end, ms(life ? 0 : 350), true)) return false;
  } else {
    // The first may only wake it.
    if (patient_ && !send("\r", ms(400), true)) return false;
    if (!send(joint + "\r", ms(0), true) || !send(query + "\r", ms(250), false)) return false;
    const Bytes others = "\n" + end + query + "\r\n" + end + query + "\n\r\n" + end + ";";
    if (!life && !send(others, ms(patient_ ? 4000 : 800), true)) return false;
  }
  if (!life) return true;
  if (patient_) one.looked_bare = true;  // it is asked so, too
  other_format_ = false;
  // So long what it says to the joint is waited for.
  settle_ = patient_ ? ms(700) : std::min(ms(700), late + late / 2 + ms(200));
  if (!AskPatiently(one.line, std::max(ms(patient_ ? 4000 : 1200), late * 2 + ms(500)), bare,
                    found))
    return false;
  one.other_format = one.other_format || other_format_;
  return true;
}

bool Surveyor::AskPatiently(const LineSettings& line, Duration wait, bool bare_first, bool& found) {
  std::vector<SurveyEnding> endings(std::begin(kSurveyEndings), std::end(kSurveyEndings));
  if (bare_first) std::rotate(endings.begin(), endings.begin() + 3, endings.begin() + 4);
  readable_here_ = said_here_ = false;
  const int came_back_before = came_back_;
  const int others_before = readable_ + unreadable_;
  for (const SurveyEnding& ending : endings) {
    // What answers another ending, if only with a no, wants no end mark.
    if (ending.name == ByteView(";") && said_here_) continue;
    // Where commands lose their beginning, it is woken before each.
    for (const bool wake : {false, true}) {
      if (wake && (!cut_ || *ending.bytes == '\0')) break;
      wake_ = wake;
      cut_ = false;
      if (!Attempt(ending, wait, found)) return false;
      if (!found) continue;
      profile_.line = line;
      profile_.send_ending = ending.name;
      if (!wake_) return true;
      if (!Sleeps(found)) return false;
      if (found) return true;
      profile_.send_ending.clear();
    }
    wake_ = false;
  }
  Heard ended;
  // The first may only wake it.
  if (!Ask("\r\n", {ms(300), ms(60), ms(1000)}, ended) ||
      !Ask(Bytes(kJoint) + "\r\n", {ms(0), ms(0), ms(0)}, ended))
    return false;
  comes_back_whole_ = comes_back_whole_ || (came_back_ - came_back_before ==
                                                static_cast<int>(std::size(kSurveyEndings)) &&
                                            readable_ + unreadable_ == others_before);
  return true;
}

// It answered when it was woken first; does it not without, and is what wakes it no command?
bool Surveyor::Sleeps(bool& found) {
  Basis& basis = profile_.sleep_basis;
  Heard heard;
  const Patience patience = {Duration::Seconds(2) + turnaround_, quiet_, Duration::Seconds(5)};
  if (!Ask(BytesOfEnding(profile_.send_ending), patience, heard)) return false;
  found = Words(Body(heard)).empty();
  wake_ = false;
  int taken = 0;
  constexpr int kTries = 3;
  for (int i = 0; i < kTries && found; ++i) {
    if (!Pause(Duration::Seconds(4)) || !Ask(plan_.query, profile_.send_ending, Usual(), heard))
      return false;
    AddEvidence(basis, heard);
    taken += IsAnswer(heard);
    if (!IsAnswer(heard) && !Joint()) return false;  // now, for later it would wake it
  }
  // What is answered now and then has other reasons.
  found = found && (taken == 0 || taken == kTries);
  wake_ = found && taken == 0;
  profile_.sleeps = wake_;
  basis.sure = wake_ ? Found::kSure : Found::kNotFound;
  basis.why = "after 4 s of silence " + std::to_string(taken) + " of " + std::to_string(kTries) +
              " queries were answered" +
              (wake_ ? ", and when a line ending came first, nearly all were" : "");
  return true;
}

bool Surveyor::Attempt(const SurveyEnding& ending, Duration wait, bool& understood) {
  understood = false;
  cut_ = false;
  // What an earlier try left is ended, whatever ends a command, and nothing left before this one:
  // an LF before a CR would be. A module may say no to the joint.
  Heard heard;
  bool quiet = false;
  const bool bare = *ending.bytes == '\0';
  const Duration settle = std::min(wait / 2, ms(700));
  if (!UntilSilent(settle, Duration::Seconds(3), heard, quiet)) return false;
  readable_here_ = readable_here_ || Readable(heard.bytes());
  // Perhaps it sleeps: then the first only wakes it.
  if (talk_.Now() - last_sent_ > ms(850) && !Ask("\r\n", {ms(300), ms(60), ms(1000)}, heard))
    return false;
  const bool once_more = ending.bytes == ByteView("\r") || ending.bytes == ByteView(";");
  if (!Ask(Bytes(kJoint) + "\r\n" + (once_more ? ending.bytes : ""), {ms(0), ms(0), ms(0)}, heard))
    return false;
  kept_.clear();
  heard = Heard();
  const bool long_silence = patient_ && (readable_here_ || bare);
  const Duration pause = long_silence ? ms(3200) : bare ? ms(800) : settle_;
  if (!UntilSilent(pause, Duration::Seconds(6), heard, quiet)) return false;
  readable_here_ = readable_here_ || Readable(heard.bytes());
  const Patience patience = {bare ? wait + ms(700) : wait, ms(300), Duration::Seconds(5)};
  if (!Ask(plan_.query, ending.name, patience, heard)) return false;
  Note(heard);
  said_here_ = said_here_ || !Body(heard).empty();
  if (!Readable(Body(heard))) return true;
  readable_here_ = true;
  // Whatever is answered alike was no command.
  Heard other;
  if (bare && !Pause(ms(800))) return false;
  if (!Ask(kForeignQuery, ending.name, patience, other)) return false;
  const Bytes wanted = Words(Body(heard));
  if (!wanted.empty() && Words(Body(other)) == wanted) {
    Note(other);
    return true;
  }
  return Confirm(ending, Body(heard), understood);
}

}  // namespace witness
