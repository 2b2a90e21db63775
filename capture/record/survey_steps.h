// The survey's steps, in the order in which RunSurvey takes them. Private to survey*.cc: everyone
// else calls RunSurvey.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "capture/record/survey.h"
#include "capture/record/survey_heard.h"

namespace witness {

// A query that cannot exist: how the module says no. Of letters with which no basic command begins,
// and I, which asks: whatever a module loses of it, the rest does not act (ITU-T V.250 (07/2003)
// 6.1 to 6.3; from memory).
inline constexpr ByteView kUnknownQuery = "AT+JGU?";
// Another, of another length: what gives both back changed is no module that says no.
inline constexpr ByteView kOtherUnknownQuery = "AT+UIJGJ?";
// And one that begins otherwise, for what mangles all that begins alike in one way.
inline constexpr ByteView kForeignQuery = "##JGU?";

// What keeps two queries apart that a module may take for one line, since it knows none of the
// endings that were sent, or one was lost: "ATAT" would let a modem answer a call (ITU-T V.250
// (07/2003) 6.3.5; clause numbers from memory). A command line is carried out up to its first
// error (V.250 5.6), no command begins with '#', and what stands before "AT" does not count. Where
// a wrong parity makes a module drop characters, it drops this one only with the T of "AT", for
// both have an odd number of ones.
inline constexpr ByteView kJoint = "##";

// How long is listened for what is said after a reset.
inline constexpr Duration kBannerTime = Duration::Seconds(4);
inline constexpr Duration kLateBannerTime = Duration::Seconds(6);

// Line endings to try. CR before CR LF: where both are taken, CR alone leaves nothing behind and
// its echo comes in one. Bare late, since what it leaves in a module's buffer spoils what follows.
// An end mark last, for few want one.
struct SurveyEnding {
  const char* name;
  const char* bytes;
};
inline constexpr SurveyEnding kSurveyEndings[] = {
    {"CR", "\r"}, {"CR LF", "\r\n"}, {"LF", "\n"}, {"none", ""}, {";", ";"}};

// Each step returns false when the survey cannot go on; `status_` then says why, if it was
// interrupted or lost the port.
class Surveyor {
 public:
  Surveyor(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
           const std::function<void(const SurveyProgress&)>& progress)
      : talk_(conversation), plan_(plan), profile_(profile), progress_(progress) {}

  Status Run();

 private:
  // --- talking (survey.cc) ---
  void Tell(const std::string& what);
  // What the rest of the survey will take, as far as can be told.
  Duration Left() const;
  // Where commands lose their beginning: a line ending first, and a pause.
  bool Wake(const std::string& ending, Heard& heard);
  bool Ask(ByteView bytes, const Patience& patience, Heard& heard);
  // Keeps until the line is silent first, and leaves out of `heard` what is known to be said
  // unasked; `without_` then tells so.
  bool Ask(ByteView command, const std::string& ending, const Patience& patience, Heard& heard);
  // Listens until nothing has come for `silence`, at most `longest`; what came is then in `heard`.
  // `quiet`: the line did fall silent.
  bool UntilSilent(Duration silence, Duration longest, Heard& heard, bool& quiet);
  bool Pause(Duration length);
  Patience Usual() const;
  // The answer to the query, though something may have been said unasked in its middle.
  bool IsAnswer(const Heard& heard) const;
  // An echoing module did not give this command back as it was sent: the answer is to something
  // else.
  bool IsSpoilt(const Heard& heard) const;
  // Sends the query so often as it takes to be sure whether it is answered: three times, and where
  // they disagree three times more. `good`: answered mostly; `steady`: no doubt is left.
  bool IsTaken(ByteView query, const std::string& ending, bool clean_first, Basis& basis,
               bool& good, bool& steady);
  bool IsTakenNow(ByteView query, const std::string& ending, bool clean_first, Basis& basis,
                  bool& good, bool& steady);
  // After so long a silence as before a try that was not answered, is the query answered?
  bool IsAwake(bool& awake);
  // Brings the module back to where a command begins.
  bool Clean();
  // Once an ending is known: ends or spoils what may be in the module's buffer.
  bool Joint();
  // Whether the module took this command, as its answer tells: an echo, a line ending or a stray
  // byte tells nothing, and to the query nothing but an answer or a refusal that is known.
  bool IsTold(const Heard& heard, ByteView command);
  // Whether `command` would act if it were joined to what may be in the module's buffer.
  bool JoinActs(ByteView command) const;
  // Was it an answer to what was sent before, later than was waited for? Then more is waited next.
  void NoteLate(const Heard& heard, Instant since);

  // --- what it says after a reset (survey_banner.cc) ---
  // Resets the module and listens; `heard`: what came, without what is known to be said unasked.
  bool Reset(Heard& heard, Duration& after, bool& done);
  bool Banner();
  // Once the line is known: the same twice is its banner. The module may be deaf while it boots.
  bool BannerAgain();
  bool ResetAgain();

  // --- rate, format, first ending (survey_line.cc) ---
  struct LineTry {
    LineSettings line;
    bool rare = false;  // a rate that is tried last
    bool looked = false;
    bool looked_bare = false;
    bool heard = false;         // anything
    bool high = false;          // bytes of it with the eighth bit always 1
    bool other_format = false;  // what was heard may be text in another format
  };
  std::vector<LineTry> LinesToTry() const;
  bool FindLine();
  static bool SameFormat(const LineTry& a, const LineTry& b);
  bool LookAtOneFormat(std::vector<LineTry>& lines, std::size_t& begin, bool& found);
  bool LookPatiently(std::vector<LineTry>& lines, std::size_t usual, bool& found);
  // `possible`: the port can do it.
  bool UseLine(const LineSettings& line, bool& possible);
  // A quick look for a sign of life, and if there is one, ending by ending.
  bool Look(LineTry& one, bool bare, bool& found);
  bool AskPatiently(const LineSettings& line, Duration wait, bool bare_first, bool& found);
  bool Sleeps(bool& found);
  bool Attempt(const SurveyEnding& ending, Duration wait, bool& understood);

  // --- is it an answer? (survey_confirm.cc) ---
  // Does the module answer the query, again and again, otherwise than what cannot be a command and
  // otherwise than it talks unasked? `first`: what was heard after the first query.
  bool Confirm(const SurveyEnding& ending, const Bytes& first, bool& understood);
  bool AskMore(const SurveyEnding& ending, const Patience& patience, std::vector<Heard>& heards);

  // --- why nothing answers (survey_diagnosis.cc) ---
  void Note(const Heard& heard);  // what kind of thing was heard
  void Diagnose();

  // --- endings and silence (survey_endings.cc) ---
  bool Endings();
  // Does the LF of a CR LF stay behind and spoil the next command?
  bool Leftover();
  // The silence after which a bare command is taken: the query in two halves, further and further
  // apart, until it is no longer taken as one.
  bool Silence();

  // --- echo, letter case, longest command (survey_manner.cc) ---
  bool Echo();
  bool Case();
  bool Longest();

  // --- the list (survey_replies.cc) ---
  struct Try {
    Bytes body;
    Heard heard;     // without what is known to be said unasked
    bool stripped;   // something unasked was left out
    bool disturbed;  // its times say nothing
    bool spoilt;     // an answer to something else than what was sent
    Heard raw;
  };
  bool Commands();
  bool Repeat(ProfileReply& reply);
  // A "no" stands only where the query is still answered.
  bool RepeatAndControl(ProfileReply& reply);
  bool AskAgainAndAgain(ProfileReply& reply, std::vector<Try>& tries);
  void Weigh(ProfileReply& reply, std::vector<Try>& tries);
  // Does it still answer the query?
  bool StillAnswers(bool& answers);
  // Before anything is claimed of a "no": is the query still answered, asked in the same way? Where
  // it is not, it is tried whether a line ending that comes first wakes the module, and that is
  // then kept to (`woken`).
  bool Control(bool& answers, bool& woken);

  // --- what comes unasked (survey_unasked.cc) ---
  // True if `body` is `usual` (which may be silence) with a run of bytes put in; the run is then
  // counted as unsolicited, or as noise.
  bool TakeOutUnasked(Bytes& body, const Bytes& usual, const Heard& heard);
  void CountUnasked(const Bytes& text, const Heard& heard);
  bool Unsolicited();
  // What was said unasked inside answers that were heard before it was known what they are.
  void Review();

  Conversation& talk_;
  const SurveyPlan& plan_;
  Profile& profile_;
  const std::function<void(const SurveyProgress&)>& progress_;
  Status status_;
  LineSettings line_;
  Without without_;          // what was left out of what was heard last
  Heard raw_;                // and all of it
  Bytes answer_;             // to the query
  Bytes refusal_;            // to what cannot exist; empty: silence
  std::vector<Heard> log_;   // what was heard at this line before the commands of the list
  std::uint32_t noise_ = 0;  // stray bytes that were left out
  Duration turnaround_;
  Duration quiet_ = Duration::Milliseconds(500);
  int ending_back_ = 0;     // so often the query came back with its ending
  int no_ending_back_ = 0;  // and without
  int came_back_ = 0;
  bool comes_back_whole_ = false;                   // at one line, all that was sent
  Duration came_back_after_;                        // from the command's end
  Duration talks_every_ = Duration::Seconds(1000);  // what it says unasked most often
  Found answered_ = Found::kUnsure;                 // that it answers at all
  bool open_ = false;              // the last command may stay in the module's buffer
  bool refused_joint_ = false;     // the last joint was refused: a command begins after it
  std::vector<Bytes> kept_;        // and these that nothing was answered to
  Bytes last_command_;             // in capitals
  Bytes last_words_;               // and what came back
  bool late_ = false;              // an answer came later than was waited for
  Heard between_;                  // what was heard between the last two commands
  Bytes came_between_;             // before the last command
  bool cut_ = false;               // commands lost their beginning, here
  bool sleepy_ = false;            // and anywhere
  bool wake_ = false;              // it is woken before each command
  bool prompts_ = false;           // and says something to what wakes it
  Duration idle_;                  // nothing was sent for so long before the last command
  Duration answered_after_;        // the longest of these after which the query was answered
  Duration unanswered_after_;      // and after which it was not, as it was tried last
  Instant last_sent_;              // the end of the last command
  bool refusal_by_shape_ = false;  // refusals differ in figures
  bool answer_by_shape_ = false;   // and so do answers
  std::size_t lines_left_ = 0;     // still to be looked at
  bool patient_ = false;           // the second round
  Duration settle_ = Duration::Milliseconds(700);
  bool first_format_ = true;               // of it: a line of the first format
  bool said_here_ = false;                 // something that is no echo came to a query
  bool readable_here_ = false;             // text was heard at this line
  std::size_t bad_ = 0;                    // bytes that came with errors at the line that was found
  int stage_ = 0;                          // how far the survey is, for Left()
  std::optional<LineSettings> echo_line_;  // where what was sent came back as it was
  bool other_format_ = false;              // what it says unasked is text in another
  std::string doubtful_;                   // answers that may be rubbish: where, and which
  int readable_ = 0;
  int unreadable_ = 0;
};

}  // namespace witness
