#include "capture/record/ask.h"

#include <cerrno>
#include <cstring>
#include <fstream>

namespace witness {

Status Ask(Conversation& conversation, const AskPlan& plan,
           const std::function<void(const Asked&)>& on_asked) {
  if (plan.reset_line) {
    if (Status s = conversation.Pulse(*plan.reset_line, plan.reset_length); !s.ok()) return s;
    Result<Heard> heard = conversation.Exchange({}, plan.patience);
    if (!heard.ok()) return heard.status();
    Asked banner;
    banner.banner = true;
    banner.heard = *std::move(heard);
    on_asked(banner);
  }
  bool first = true;
  for (int round = 0; round < plan.times; ++round) {
    for (std::size_t i = 0; i < plan.commands.size(); ++i) {
      if (!first && plan.between > Duration::Zero()) {
        if (Result<Heard> pause = conversation.Listen(plan.between); !pause.ok())
          return pause.status();
      }
      first = false;
      Result<Heard> heard = conversation.Exchange(plan.commands[i] + plan.ending, plan.patience);
      if (!heard.ok()) return heard.status();
      on_asked({i, round, false, *std::move(heard)});
    }
  }
  return OkStatus();
}

Result<Bytes> EndingBytes(std::string_view name) {
  if (name == "none") return Bytes();
  if (name == "cr") return Bytes("\r");
  if (name == "lf") return Bytes("\n");
  if (name == "crlf") return Bytes("\r\n");
  return Status(Code::kInvalidArgument,
                "ending '" + std::string(name) + "' is none of none, cr, lf, crlf");
}

Result<std::vector<Bytes>> ReadCommands(const std::vector<std::string>& words) {
  std::vector<Bytes> out;
  for (const std::string& word : words) {
    if (!word.starts_with('@')) {
      Result<Bytes> bytes = ParseEscapes(word);
      if (!bytes.ok()) return bytes.status().In("command '" + word + "'");
      out.push_back(*std::move(bytes));
      continue;
    }
    const std::string path = word.substr(1);
    std::ifstream in(path);
    if (!in)
      return Status(Code::kNotFound,
                    path + ": cannot open the list of commands: " + std::strerror(errno) +
                        " (write \\x40 for a command that begins with @)");
    std::string line;
    for (int number = 1; std::getline(in, line); ++number) {
      if (line.ends_with('\r')) line.pop_back();
      if (line.empty() || line[0] == '#') continue;
      Result<Bytes> bytes = ParseEscapes(line);
      if (!bytes.ok()) return bytes.status().In(path + ":" + std::to_string(number));
      out.push_back(*std::move(bytes));
    }
  }
  if (out.empty()) return Status(Code::kInvalidArgument, "no command to send");
  return out;
}

}  // namespace witness
