// What a survey found out about a module; the plain form of profile.proto.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/instant.h"
#include "capture/base/line_settings.h"
#include "capture/base/result.h"

namespace witness {

// Values as in profile.proto.
enum class Found : std::uint8_t {
  kUnspecified = 0,
  kNotFound = 1,  // tried, not seen
  kUnsure = 2,
  kLikely = 3,
  kSure = 4,
  kNotTried = 5,
};
enum class ModuleState : std::uint8_t {
  kUnspecified = 0,
  kAnswers = 1,
  kSilent = 2,
  kAllComesBack = 3,
  kTalksOnly = 4,
  kUnreadable = 5,
};
enum class EchoKind : std::uint8_t {
  kUnspecified = 0,
  kOff = 1,
  kOn = 2,
  kByCharacter = 3,
  kWhole = 4,
};
enum class LetterCase : std::uint8_t { kUnspecified = 0, kAny = 1, kAsWrittenOnly = 2 };
enum class ReplyOutcome : std::uint8_t {
  kUnspecified = 0,
  kAnswered = 1,
  kRefused = 2,
  kNoAnswer = 3,
  kNotSent = 4,
};

struct Basis {
  Found sure = Found::kNotTried;
  std::string why;
  std::vector<std::uint64_t> events;  // indexes in the capture
  std::uint32_t tries = 0;
};

struct ProfileReply {
  Bytes command;  // without its ending
  ReplyOutcome outcome = ReplyOutcome::kUnspecified;
  std::vector<Bytes> texts;  // the different answers, most frequent first, without echo
  std::uint32_t most_pieces = 0;
  std::vector<std::uint32_t> piece_sizes;  // bytes of each piece of texts[0], as it came first
  std::vector<Duration> turnarounds;
  std::vector<Duration> longest_pauses;  // of answers that came in pieces
  std::string change;                    // the list's mark, if there is one
  Basis basis;
};

struct ProfileUnsolicited {
  Bytes text;
  std::uint32_t times = 0;
  Basis basis;
};

struct Profile {
  std::string title;
  std::string port;
  std::string capture;
  std::string tool;

  ModuleState state = ModuleState::kUnspecified;
  Basis state_basis;
  std::vector<std::string> check;

  LineSettings line;  // baud 0: not found
  Basis line_basis;

  std::vector<std::string> accepted_endings;  // of "none", "CR", "LF", "CR LF", ";"
  std::string send_ending;
  bool must_be_bare = false;
  Duration silence_at_least;
  Duration silence_at_most;
  bool leftover_spoils = false;
  Basis ending_basis;

  bool sleeps = false;  // after a silence it loses what comes first
  Basis sleep_basis;

  EchoKind echo = EchoKind::kUnspecified;
  Basis echo_basis;
  LetterCase letter_case = LetterCase::kUnspecified;
  Basis case_basis;
  std::uint32_t longest_command = 0;
  Basis longest_basis;

  Duration piece_gap;  // a shorter pause inside an answer is not told from none
  ProfileReply unknown;
  std::vector<ProfileReply> replies;
  Bytes banner;
  Duration banner_after;
  Basis banner_basis;
  std::vector<ProfileUnsolicited> unsolicited;
  Basis unsolicited_basis;
  Duration listened;

  const ProfileReply* Find(ByteView command) const {
    for (const ProfileReply& reply : replies)
      if (reply.command == command) return &reply;
    return nullptr;
  }
};

// Textproto with a comment that names the schema; reads back to the same profile.
std::string WriteProfile(const Profile& profile);
// Errors: kInvalidArgument with line and column.
Result<Profile> ReadProfile(std::string_view text);
Result<Profile> ReadProfileFile(const std::string& path);
// Whether a file looks like a profile (its first bytes), for commands that take both kinds.
bool LooksLikeProfile(const std::string& path);

// Bytes behind a command for an ending's name in a profile.
Bytes BytesOfEnding(std::string_view name);

// What was found, in plain words, a line each.
std::vector<std::string> Summary(const Profile& profile);

// What a sketch needs to know: what to send, how a reply's end is known, how long to wait, buffer
// and reading, what to strip and what to ignore. A line each, with the figures it stands on.
std::vector<std::string> Advice(const Profile& profile);

enum class Likeness : std::uint8_t { kSame, kDiffers, kOnlyInFirst, kOnlyInSecond, kCannotTell };
struct ProfileDifference {
  Likeness verdict = Likeness::kSame;
  std::string what;    // "reply to AT+FW?: words"
  std::string first;   // as text, safe
  std::string second;  // as text, safe
  std::string basis;   // how many samples, which test
};
// Property by property. Spreads are compared with a rank test (Mann and Whitney, Annals of
// Mathematical Statistics 18 (1947) 50-60), exact for small samples, two-sided at 1 %.
std::vector<ProfileDifference> CompareProfiles(const Profile& first, const Profile& second);

// Two-sided p-value of that test; 1 if either sample is empty. Exact up to 20 samples a side
// without ties, else the normal approximation with tie correction.
double RankTest(const std::vector<Duration>& a, const std::vector<Duration>& b);

}  // namespace witness
