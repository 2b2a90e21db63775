// What is demanded, and what a judge finds.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/instant.h"
#include "replay/part/part.h"

namespace trial {

enum class VerdictKind : std::uint8_t {
  kHeld = 1,
  kBroke = 2,
  kSlow = 3,       // same outcome, but much later
  kNoContest = 4,  // the baseline itself failed, or our own timing did
};

const char* VerdictName(VerdictKind kind);  // "held", "broke", "slow", "no contest"

// What the person demands besides "as in the baseline".
struct Demands {
  std::vector<std::string> ignore;        // RE2: parts of output lines that may differ
  std::vector<std::string> must_say;      // RE2: found in the output
  std::vector<std::string> must_not_say;  // RE2: not found in it
  std::optional<int> exit;                // in place of the baseline's
  Duration within = Duration::Seconds(60);
  bool within_given = false;  // by the person; else a trial that hangs is ended sooner
  bool operator==(const Demands&) const = default;
};

// The first thing that differs from the baseline. Texts are safe to print.
struct Divergence {
  Instant at;
  std::string what;  // "sent another command"
  std::string expected;
  std::string got;
  std::uint32_t command = 0;  // the how-many-th, from 1; 0: before the first
  bool operator==(const Divergence&) const = default;
};

// What the subject does wrong, with what shows it. Only given if its evidence is there.
struct Diagnosis {
  std::string name;   // "waits-for-line-ending"
  std::string words;  // one sentence
  std::vector<std::string> evidence;
  bool operator==(const Diagnosis&) const = default;
};

struct Verdict {
  VerdictKind kind = VerdictKind::kHeld;
  std::string why;  // one line; of one that held: what a person may want to know
  std::optional<Divergence> divergence;
  // How much later the subject was by its own doing, over all commands.
  Duration later;
  Duration longest_later;  // of one command
  // Waited longest after this command's reply, from 1; 0: nowhere.
  std::uint32_t slowest_command = 0;
  Duration slowest_wait;
  std::vector<Diagnosis> diagnoses;
};

}  // namespace trial
