// Finds out how an unknown module answers, without harm.
//
// The engine decides what to send and what it means; it does no I/O and reads no clock but the
// conversation's, so that a whole survey runs in a test's virtual time.
//
// Harmless: until changes are allowed, only queries are sent: those of the list that are not marked
// (and do not look like a change), `SurveyPlan::query`, the same in small letters, and queries
// that cannot exist. A bare command is probed in halves to find its silence, where neither half
// looks like a change. What stays in a module's buffer makes no acting command with what is sent
// next: see survey_line.cc.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "capture/profile/profile.h"
#include "capture/record/conversation.h"

namespace witness {

struct SurveyCommand {
  Bytes text;          // without an ending
  std::string change;  // empty: a query; else set, store, reset, delete or rate
};

struct SurveyPlan {
  std::vector<SurveyCommand> commands;  // empty: BuiltInCommands()
  Bytes query = "AT";                   // answered by as many modules as can be; must be harmless
  bool allow_changes = false;
  std::vector<std::uint32_t> bauds = {9600, 115200, 38400, 57600, 19200, 4800, 2400, 1200, 230400};
  // Looked at after all others, in the first format; in the others only where that is heard.
  std::vector<std::uint32_t> rare_bauds = {14400, 28800, 31250, 76800, 250000, 460800, 921600};
  std::vector<std::string> formats = {"8N1", "7E1", "8E1", "7O1", "8O1"};
  std::vector<std::string> rare_formats = {"7N2"};  // only where text in another was heard
  bool line_is_known = false;  // then only the conversation's settings are used
  LineSettings line;           // the settings to begin with; baud 0: the port has no rate
  int repeats = 5;             // of each command
  bool find_longest = false;
  std::optional<std::uint32_t> reset_line;
  Duration listen = Duration::Seconds(10);
};

// Read-only queries of ITU-T V.250 (07/2003) 6.1.3 to 6.1.9: identification and capabilities.
std::vector<SurveyCommand> BuiltInCommands();

// One command a line with C escapes. "# ..." is a comment. "!set AT+CHAN=11" marks a change: !set,
// !store, !reset, !delete or !rate. A leading "\x21" is a "!" of the command's own.
Result<std::vector<SurveyCommand>> ReadSurveyList(std::string_view text);

// True for what looks like a change though it is not marked: "=" that is no test ("=?"), words like
// RESET or SAVE that are no question, control characters, and the V.250 commands that act (Z, &F,
// E, D, A, H, +++ ...), wherever in the line they stand.
bool LooksLikeChange(ByteView command);

// True if `command` may be sent under `plan`.
bool MaySend(const SurveyCommand& command, const SurveyPlan& plan);

struct SurveyProgress {
  std::string what;  // is being tried, in words
  Duration left;     // of the whole survey, reckoned from what was seen until now
};

// Runs the survey. After kInterrupted or kDisconnected `profile` holds what was found until then.
Status RunSurvey(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
                 const std::function<void(const SurveyProgress&)>& progress);

}  // namespace witness
