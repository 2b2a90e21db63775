// Asking a module a list of commands, one after the other.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "capture/record/conversation.h"

namespace witness {

struct AskPlan {
  std::vector<Bytes> commands;  // without the ending
  Bytes ending;                 // put behind each command
  Patience patience;
  int times = 1;                            // the whole list so often
  Duration between;                         // silence kept before each command but the first
  std::optional<std::uint32_t> reset_line;  // LineBit to pulse before the first command
  Duration reset_length = Duration::Milliseconds(100);
};

struct Asked {
  std::size_t command = 0;  // index in the plan
  int round = 0;            // from 0
  bool banner = false;      // what was heard after the reset, before any command
  Heard heard;
};

// Calls `on_asked` after each exchange. Ends early with kInterrupted or kDisconnected.
Status Ask(Conversation& conversation, const AskPlan& plan,
           const std::function<void(const Asked&)>& on_asked);

// The ending of a name: none, cr, lf, crlf.
Result<Bytes> EndingBytes(std::string_view name);

// Commands as a person writes them: C-style escapes, "@FILE" for a file with one command a line
// (empty lines and lines that begin with # are left out). Errors name argument or file and line.
Result<std::vector<Bytes>> ReadCommands(const std::vector<std::string>& words);

}  // namespace witness
