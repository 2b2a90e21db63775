// The survey's steps, in the order in which RunSurvey takes them. Private to survey*.cc: everyone
// else calls RunSurvey.
#pragma once

#include <functional>
#include <string>

#include "capture/record/survey.h"
#include "capture/record/survey_heard.h"

namespace witness {

// A query that cannot exist: how the module says no.
inline constexpr ByteView kUnknownQuery = "AT+ZZQ?";
// Another, of another length: what gives both back changed is no module that says no.
inline constexpr ByteView kOtherUnknownQuery = "AT+QXWKV?";

// Line endings to try. CR before CR LF: where both are taken, CR alone leaves nothing behind and
// its echo comes in one. Bare last, since what it leaves in a module's buffer spoils what follows.
struct SurveyEnding {
  const char* name;
  const char* bytes;
};
inline constexpr SurveyEnding kSurveyEndings[] = {
    {"CR", "\r"}, {"CR LF", "\r\n"}, {"LF", "\n"}, {"none", ""}};

// Each step returns false when the survey cannot go on; `status_` then says why, if it was
// interrupted or lost the port.
class Surveyor {
 public:
  Surveyor(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
           const std::function<void(const std::string&)>& progress)
      : talk_(conversation), plan_(plan), profile_(profile), progress_(progress) {}

  Status Run();

 private:
  // --- talking (survey.cc) ---
  bool Ask(ByteView bytes, const Patience& patience, Heard& heard);
  // Keeps until the line is silent first, and leaves out of `heard` what is known to be said
  // unasked; `disturbed_` then tells so.
  bool Ask(ByteView command, const std::string& ending, const Patience& patience, Heard& heard);
  // Listens until nothing has come for `silence`, at most `longest`; what came is then in `heard`.
  // `quiet`: the line did fall silent.
  bool UntilSilent(Duration silence, Duration longest, Bytes& heard, bool& quiet);
  bool Pause(Duration length);
  Patience Usual() const;
  // The answer to the query, though something may have been said unasked in its middle.
  bool IsAnswer(const Heard& heard) const;
  // Sends the query so often as it takes to be sure whether it is answered: twice, and where the
  // two disagree twice more. `good`: answered nearly always; `steady`: no doubt is left.
  bool IsTaken(ByteView query, const std::string& ending, bool clean_first, Basis& basis,
               bool& good, bool& steady);
  // Brings the module back to where a command begins.
  bool Clean();

  // --- rate, format, first ending, or why nothing answers (survey_line.cc) ---
  bool Banner();
  bool BannerAgain();
  bool FindLine();
  bool TryLine(const LineSettings& line, Duration wait, bool& found);
  // For the diagnosis: what kind of thing was heard.
  void Note(const Heard& heard);
  // Does the module answer the query, again and again, otherwise than what cannot be a command and
  // otherwise than it talks unasked?
  bool Confirm(const SurveyEnding& ending, bool& understood);
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

  // --- the list, and what comes unasked (survey_replies.cc) ---
  bool Commands();
  bool Repeat(ProfileReply& reply);
  // True if `body` is `usual` (which may be silence) with a run of bytes put in; the run is then
  // counted as unsolicited.
  bool TakeOutUnasked(Bytes& body, const Bytes& usual, const Heard& heard);
  void CountUnasked(const Bytes& text, const Heard& heard);
  bool Unsolicited();

  Conversation& talk_;
  const SurveyPlan& plan_;
  Profile& profile_;
  const std::function<void(const std::string&)>& progress_;
  Status status_;
  LineSettings line_;
  bool disturbed_ = false;  // something unasked was left out of what was heard last
  Heard raw_;               // and all of it
  Bytes answer_;            // to the query
  Duration turnaround_;
  Duration quiet_ = Duration::Milliseconds(500);
  int came_back_ = 0;
  bool comes_back_whole_ = false;  // at one line, all that was sent
  int readable_ = 0;
  int unreadable_ = 0;
};

}  // namespace witness
