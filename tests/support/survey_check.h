// Surveys an invented module in virtual time and lays what was found beside what there is.
//
// Each property is found (what was claimed is so), open (no claim was made, and that is told) or
// wrong. Open is a miss; wrong is a fault of the engine.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "capture/record/survey.h"
#include "capture/record/survey_heard.h"
#include "tests/support/invented_modules.h"
#include "tests/support/writer_fake.h"

namespace witness {

struct Surveyed {
  Profile profile;
  Status status;
  Bytes sent;
  std::vector<Bytes> taken;  // the commands that the module took
  Duration took;
  std::size_t events = 0;  // in the capture
};

inline Surveyed Survey(const ModuleSpec& spec, const SurveyPlan& plan, unsigned seed = 1) {
  FakeClock clock;
  VirtualDriver driver(clock);
  WriterFake writer;
  ScriptedPort port(clock, "module");
  ModuleModel module(clock, driver, port, spec, seed);
  Recorder recorder(driver, writer, clock.Now());
  const auto talk = TalkThrough(driver, recorder, port, plan.line);
  Surveyed out;
  out.status = RunSurvey(*talk, plan, out.profile, [](const SurveyProgress&) {});
  out.sent = port.written();
  out.taken = module.commands_taken();
  out.took = clock.Now() - Instant();
  out.events = writer.kept.size();
  return out;
}

inline SurveyPlan DemoPlan() {
  SurveyPlan plan;
  plan.commands = {{"AT+FW?", ""}, {"AT+CHAN?", ""}, {"AT+SIGNAL?", ""}, {"AT+CHAN=11", "set"}};
  plan.reset_line = kDtr;
  plan.listen = Duration::Seconds(30);
  return plan;
}

enum class Finding { kFound, kOpen, kWrong };

struct Property {
  std::string name;
  Finding finding = Finding::kFound;
  std::string note;  // what was claimed, if it is wrong
};

class SurveyCheck {
 public:
  SurveyCheck(const ModuleSpec& spec, const Surveyed& surveyed)
      : spec_(spec), p_(surveyed.profile) {
    if (!CheckState()) return;
    CheckLine();
    CheckEndings();
    CheckManner();
    CheckReply("no", p_.unknown, NoTexts(p_.unknown.command), 1);
    for (const auto& [command, pieces] : spec_.answers) {
      if (const ProfileReply* reply = p_.Find(command))
        CheckReply("", *reply, {Whole(command, pieces)}, pieces.size());
    }
    for (const ProfileReply& reply : p_.replies) CheckOutcome(reply);
    CheckUnasked();
  }

  const std::vector<Property>& properties() const { return properties_; }
  int Count(Finding finding) const {
    int count = 0;
    for (const Property& one : properties_) count += one.finding == finding;
    return count;
  }

 private:
  static bool Claimed(const Basis& basis) {
    return basis.sure == Found::kSure || basis.sure == Found::kLikely;
  }

  void Add(const std::string& name, bool right, bool open, const std::string& note = {}) {
    properties_.push_back({name,
                           right  ? Finding::kFound
                           : open ? Finding::kOpen
                                  : Finding::kWrong,
                           note});
  }

  bool CheckState() {
    const bool talks = spec_.unasked_every || spec_.noise;
    bool right = false;
    switch (spec_.mode) {
      case ModuleSpec::Mode::kCommands:
        // What wants a sum takes no query that was tried; rightly nothing more is said.
        right = spec_.well_formed
                    ? p_.state != ModuleState::kAnswers && p_.state != ModuleState::kAllComesBack
                    : p_.state == ModuleState::kAnswers;
        // What answers all alike says nothing that could be found out.
        if (spec_.answers.empty()) right = p_.state == ModuleState::kTalksOnly;
        break;
      case ModuleSpec::Mode::kMenu:
        right = p_.state == ModuleState::kTalksOnly;
        break;
      case ModuleSpec::Mode::kDataSession:
        right = p_.state == ModuleState::kAllComesBack;
        break;
      case ModuleSpec::Mode::kDeaf:
        right = talks ? p_.state != ModuleState::kAnswers : p_.state == ModuleState::kSilent;
        break;
      case ModuleSpec::Mode::kTalker:
        right = p_.state == ModuleState::kTalksOnly;
        break;
    }
    // Not finding the line is told as such.
    const bool open = p_.state != ModuleState::kAnswers && p_.line.baud == 0 && !p_.check.empty() &&
                      (p_.state == ModuleState::kSilent || !Claimed(p_.state_basis));
    Add("state", right, open, "claimed " + Words());
    return right && p_.state == ModuleState::kAnswers;
  }

  void CheckLine() {
    LineSettings expected = spec_.line;
    expected.stop_bits = StopBits::kOne;  // two look the same to a receiver
    expected.baud = p_.line.baud;
    LineSettings got = p_.line;
    got.stop_bits = StopBits::kOne;
    // A receiver of ten bits bears some 5 % (AVR data sheets, asynchronous operational range), so
    // that two rates may both be understood.
    const double own = spec_.line.baud * (1 + spec_.rate_error);
    const double off = spec_.autobaud ? 0 : static_cast<double>(p_.line.baud) / own - 1;
    const bool open = p_.line.baud == 0 || !Claimed(p_.line_basis);
    Add("rate", std::abs(off) < 0.053, open, FormatLineSettings(p_.line));
    Add("format", got == expected, open, FormatLineSettings(p_.line));
  }

  // What remains of the query and `ending` when it has been taken; nothing: it is not taken.
  std::optional<Bytes> Remainder(const Bytes& ending) const {
    const Bytes query = "AT";
    const Bytes all = query + ending;
    if (spec_.silence)
      return ending.empty() || spec_.trims || spec_.drops_controls ? std::optional(Bytes())
                                                                   : std::nullopt;
    for (std::size_t size = 1; size <= all.size(); ++size) {
      for (const Bytes& terminator : spec_.terminators) {
        if (!all.substr(0, size).ends_with(terminator)) continue;
        Bytes command = all.substr(0, size - terminator.size());
        if (spec_.drops_controls || spec_.trims) command = witness::Words(command);
        return command == query ? std::optional(all.substr(size)) : std::nullopt;
      }
    }
    return std::nullopt;
  }

  std::vector<std::string> ExpectedEndings() const {
    std::vector<std::string> out;
    for (const char* name : {"none", "CR", "LF", "CR LF"})
      if (Remainder(BytesOfEnding(name))) out.emplace_back(name);
    // Asked for only where nothing else is taken.
    const auto& ends = spec_.terminators;
    if (out.empty() && std::find(ends.begin(), ends.end(), ";") != ends.end())
      out.emplace_back(";");
    return out;
  }

  void CheckEndings() {
    const bool open = !Claimed(p_.ending_basis);
    std::string list;
    for (const std::string& one : p_.accepted_endings) list += one + ", ";
    Add("endings", p_.accepted_endings == ExpectedEndings(), open, list);
    Add("bare only", p_.must_be_bare == (ExpectedEndings() == std::vector<std::string>{"none"}),
        open, list);
    const auto left = Remainder("\r\n");
    const bool leftover = left == "\n" && !spec_.half_duplex && !spec_.trims &&
                          !spec_.drops_controls &&
                          std::find(spec_.terminators.begin(), spec_.terminators.end(), "\n") ==
                              spec_.terminators.end();
    Add("leftover", p_.leftover_spoils == leftover, open);
    if (!spec_.silence) {
      Add("silence", p_.silence_at_most == Duration::Zero(), open);
      return;
    }
    const Duration slack = Duration::Milliseconds(3);
    Add("silence",
        p_.silence_at_least <= *spec_.silence + slack &&
            p_.silence_at_most + slack >= *spec_.silence && p_.silence_at_most > Duration::Zero(),
        p_.silence_at_most == Duration::Zero(),
        FormatDuration(p_.silence_at_least) + " to " + FormatDuration(p_.silence_at_most) +
            ", not " + FormatDuration(*spec_.silence));
  }

  void CheckManner() {
    // What comes back on the line looks like an echo of each character.
    const EchoKind echo = spec_.line_gives_back ? EchoKind::kByCharacter : spec_.echo;
    Add("echo", p_.echo == echo,
        p_.echo == EchoKind::kUnspecified || !Claimed(p_.echo_basis) ||
            (p_.echo == EchoKind::kOn && echo != EchoKind::kOff),
        std::to_string(static_cast<int>(p_.echo)));
    Add("case", p_.letter_case == (spec_.any_case ? LetterCase::kAny : LetterCase::kAsWrittenOnly),
        p_.letter_case == LetterCase::kUnspecified || !Claimed(p_.case_basis));
  }

  std::vector<Bytes> NoTexts(const Bytes& command) const {
    Bytes text = spec_.unknown.empty() ? Bytes() : Framed(spec_.Refusal(command));
    text += spec_.prompt;
    return text.empty() ? std::vector<Bytes>() : std::vector{text};
  }

  Bytes Framed(const Bytes& text) const { return spec_.before + text + spec_.behind; }

  Bytes Whole(const Bytes& command, const ModulePieces& pieces) const {
    Bytes out = spec_.repeats_command ? command + "=" : Bytes();
    for (const auto& [pause, bytes] : pieces) out += bytes;
    return Framed(out) + spec_.prompt;
  }

  // Whether `text` is what the module says, '%' being any digit.
  static bool Is(const Bytes& text, const Bytes& said) {
    return std::equal(text.begin(), text.end(), said.begin(), said.end(),
                      [](char a, char b) { return a == b || (b == '%' && a >= '0' && a <= '9'); });
  }

  bool TextsAreRight(const ProfileReply& reply, const std::vector<Bytes>& said) const {
    if (said.empty() && reply.texts.empty()) return true;
    bool main = said.empty();
    for (const Bytes& text : reply.texts) {
      const bool is_said = !said.empty() && Is(text, said[0]);
      main = main || is_said;
      if (!is_said && (spec_.busy.empty() || text != spec_.busy + spec_.prompt)) return false;
    }
    return main;
  }

  static std::string Texts(const ProfileReply& reply) {
    std::string out = SafeText(reply.command) + ":";
    for (const Bytes& text : reply.texts) out += " " + SafeText(text).substr(0, 120);
    return out;
  }

  void CheckReply(const std::string& name, const ProfileReply& reply,
                  const std::vector<Bytes>& said, std::size_t pieces) {
    const bool right = TextsAreRight(reply, said);
    Add(name.empty() ? "words" : name, right, !Claimed(reply.basis), Texts(reply));
    if (!name.empty() || !right) return;
    const auto& truth = spec_.answers.at(reply.command);
    const bool too_close = pieces > 1 && truth[1].first < p_.piece_gap;
    const bool paced = spec_.pace > Duration::Zero();
    // What is paced more slowly than a pause is told apart comes in a piece for each byte.
    const bool single = paced && spec_.pace >= p_.piece_gap;
    const std::size_t expected = single ? Whole(reply.command, truth).size() : pieces;
    Add("pieces", reply.most_pieces == expected,
        too_close || !Claimed(reply.basis) || paced || reply.most_pieces == 0,
        Texts(reply) + " in " + std::to_string(reply.most_pieces));
    CheckTimes(reply, truth, pieces);
  }

  void CheckTimes(const ProfileReply& reply, const ModulePieces& truth, std::size_t pieces) {
    Duration least = spec_.turnaround + spec_.silence.value_or(Duration::Zero());
    if (const auto extra = spec_.extra.find(reply.command); extra != spec_.extra.end())
      least = least + extra->second;
    const Duration character = (spec_.autobaud ? p_.line : spec_.line).CharacterTime();
    Duration most = least + spec_.jitter + spec_.slow_extra;
    if (spec_.echo == EchoKind::kWhole)
      most = most + (character + spec_.pace) * static_cast<std::int64_t>(reply.command.size() + 2);
    // The ending comes back first; with two stop bits, or by a clock that is slow, an echo falls
    // behind, bit by bit.
    const auto length = static_cast<std::int64_t>(reply.command.size() + 2);
    Duration lag = spec_.line.stop_bits == StopBits::kTwo ? character / 11 * length : Duration();
    if (spec_.rate_error < 0)
      lag = lag + Duration::Nanoseconds(std::llround(
                      -spec_.rate_error * static_cast<double>((character * length).ns())));
    if (spec_.echo == EchoKind::kByCharacter) most = most + character + lag;
    if (spec_.echo == EchoKind::kByCharacter && spec_.pace > Duration::Zero())
      most = most + (character + spec_.pace) * static_cast<std::int64_t>(reply.command.size() + 2);
    const Duration slack = Duration::Milliseconds(1) + character;
    bool right = !reply.turnarounds.empty();
    std::string note = Texts(reply);
    for (const Duration t : reply.turnarounds) {
      if (t >= least - slack && t <= most + slack) continue;
      right = false;
      note += " " + FormatDuration(t) + " is not within " + FormatDuration(least) + " and " +
              FormatDuration(most);
    }
    // An answer that was busy may come sooner than the real one.
    const bool claimed = Claimed(reply.basis) && !reply.turnarounds.empty();
    Add("turnaround", right, !claimed, note);
    if (pieces < 2 || reply.longest_pauses.empty() || spec_.pace > Duration::Zero()) return;
    const Duration off = reply.longest_pauses[0] - truth[1].first;
    const Duration two = Duration::Milliseconds(2);
    Add("pause", off >= Duration::Zero() - two && off <= two + character, !Claimed(reply.basis),
        Texts(reply) + " " + FormatDuration(reply.longest_pauses[0]));
  }

  void CheckOutcome(const ProfileReply& reply) {
    if (reply.outcome == ReplyOutcome::kNotSent) return;
    const bool known = spec_.answers.contains(reply.command);
    const ReplyOutcome expected = known                            ? ReplyOutcome::kAnswered
                                  : NoTexts(reply.command).empty() ? ReplyOutcome::kNoAnswer
                                                                   : ReplyOutcome::kRefused;
    Add("outcome", reply.outcome == expected,
        reply.outcome == ReplyOutcome::kUnspecified || !Claimed(reply.basis),
        Texts(reply) + " outcome " + std::to_string(static_cast<int>(reply.outcome)));
  }

  void CheckUnasked() {
    Add("banner", p_.banner == spec_.banner, !Claimed(p_.banner_basis), SafeText(p_.banner));
    bool right = spec_.unasked_every.has_value() == !p_.unsolicited.empty() ||
                 (!spec_.status.empty() && !spec_.unasked_every);
    bool false_one = false;
    std::string note = "claimed:";
    for (const ProfileUnsolicited& one : p_.unsolicited) {
      note += " " + SafeText(one.text);
      const bool said = one.text == spec_.unasked || one.text == spec_.status;
      right = right && said;
      false_one = false_one || (!said && Claimed(one.basis));
    }
    // "Nothing in so many seconds" is no claim that it never speaks, if it was not heard then.
    const bool could = p_.listened < spec_.unasked_every.value_or(Duration::Seconds(0));
    const bool doubt = p_.unsolicited_basis.sure == Found::kUnsure;
    Add("unasked", right, !false_one && (!p_.unsolicited.empty() || could || doubt), note);
  }

  std::string Words() const {
    const auto lines = Summary(p_);
    return lines.empty() ? "" : lines.front();
  }

  const ModuleSpec& spec_;
  const Profile& p_;
  std::vector<Property> properties_;
};

// Found, open and wrong, by property; the wrong ones in words.
class SurveyTable {
 public:
  void Add(const std::string& module, const SurveyCheck& check, Duration took) {
    ++modules_;
    took_.push_back(took);
    for (const Property& one : check.properties()) {
      ++counts_[one.name][static_cast<std::size_t>(one.finding)];
      ++all_[static_cast<std::size_t>(one.finding)];
      if (one.finding == Finding::kWrong)
        wrong_.push_back(module + ": " + one.name + ": " + one.note);
      if (one.name == "state" && one.finding == Finding::kOpen)
        open_.push_back(module + ": " + one.note);
    }
  }
  void Add(const SurveyTable& other) {
    modules_ += other.modules_;
    for (const auto& [name, counts] : other.counts_)
      for (std::size_t i = 0; i < 3; ++i) counts_[name][i] += counts[i];
    for (std::size_t i = 0; i < 3; ++i) all_[i] += other.all_[i];
    wrong_.insert(wrong_.end(), other.wrong_.begin(), other.wrong_.end());
    open_.insert(open_.end(), other.open_.begin(), other.open_.end());
    took_.insert(took_.end(), other.took_.begin(), other.took_.end());
  }

  int Of(Finding finding) const { return all_[static_cast<std::size_t>(finding)]; }
  int Of(const std::string& property, Finding finding) const {
    const auto at = counts_.find(property);
    return at == counts_.end() ? 0 : at->second[static_cast<std::size_t>(finding)];
  }
  const std::vector<std::string>& wrong() const { return wrong_; }
  const std::vector<std::string>& open() const { return open_; }  // of which nothing was found out

  // What so large a share of the surveys take at most.
  Duration TookAtMost(double share) const {
    std::vector<Duration> took = took_;
    std::sort(took.begin(), took.end());
    const double last = static_cast<double>(took.size()) * share;
    return took.empty() ? Duration()
                        : took[std::min(took.size() - 1, static_cast<std::size_t>(last))];
  }

  std::string Text() const {
    std::string out = "property      found    open   wrong\n";
    const auto row = [&](const std::string& name, const std::array<int, 3>& counts) {
      char line[96];
      std::snprintf(line, sizeof line, "%-12s %6d  %6d  %6d\n", name.c_str(), counts[0], counts[1],
                    counts[2]);
      out += line;
    };
    for (const auto& [name, counts] : counts_) row(name, counts);
    row("all", all_);
    out += std::to_string(modules_) + " modules; so many surveys take at most:";
    for (const int percent : {10, 25, 50, 75, 90, 99, 100})
      out += "\n" + std::to_string(percent) + " %: " + FormatDuration(TookAtMost(percent / 100.0)) +
             " of line time";
    out += "\n";
    return out;
  }

 private:
  std::map<std::string, std::array<int, 3>> counts_;
  std::array<int, 3> all_ = {};
  std::vector<std::string> wrong_;
  std::vector<std::string> open_;
  std::vector<Duration> took_;
  int modules_ = 0;
};

}  // namespace witness
