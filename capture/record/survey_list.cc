// The survey's list of commands, and what of it may be sent.
#include <algorithm>
#include <cctype>

#include "capture/record/survey.h"

namespace witness {
namespace {

std::string Upper(ByteView text) {
  std::string out(text);
  for (char& c : out) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

// Order in which changes are made, so that an earlier one spoils no later one.
constexpr const char* kChanges[] = {"set", "store", "reset", "delete", "rate"};

}  // namespace

// ITU-T V.250 (07/2003) 6.1.3 to 6.1.9 (clause numbers from memory).
std::vector<SurveyCommand> BuiltInCommands() {
  return {{"AT", ""},     {"ATI", ""},    {"AT+GMI", ""}, {"AT+GMM", ""},
          {"AT+GMR", ""}, {"AT+GSN", ""}, {"AT+GCAP", ""}};
}

Result<std::vector<SurveyCommand>> ReadSurveyList(std::string_view text) {
  std::vector<SurveyCommand> out;
  std::size_t number = 0;
  while (!text.empty()) {
    ++number;
    const std::size_t end = std::min(text.find('\n'), text.size());
    std::string_view line = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    if (line.ends_with('\r')) line.remove_suffix(1);
    if (line.empty() || line[0] == '#') continue;
    SurveyCommand command;
    if (line[0] == '!') {
      const std::size_t space = line.find(' ');
      command.change = line.substr(1, space == line.npos ? line.npos : space - 1);
      if (std::find(std::begin(kChanges), std::end(kChanges), command.change) ==
              std::end(kChanges) ||
          space == line.npos)
        return Status(Code::kInvalidArgument,
                      "line " + std::to_string(number) +
                          ": a mark is one of !set, !store, !reset, !delete, !rate and stands "
                          "before the command");
      line.remove_prefix(space + 1);
    }
    Result<Bytes> bytes = ParseEscapes(line);
    if (!bytes.ok()) return bytes.status().In("line " + std::to_string(number));
    if (bytes->empty())
      return Status(Code::kInvalidArgument, "line " + std::to_string(number) + ": no command");
    command.text = *std::move(bytes);
    out.push_back(std::move(command));
  }
  if (out.empty()) return Status(Code::kInvalidArgument, "the list has no commands");
  return out;
}

bool LooksLikeChange(ByteView command) {
  const std::string text = Upper(command);
  const std::size_t equals = text.find('=');
  if (equals != text.npos && text.substr(equals) != "=?") return true;
  if (text.find("+++") != text.npos || text.starts_with("A/")) return true;
  if (!text.starts_with("AT") || text.size() < 3) return false;
  if (text[2] == '&') return true;  // factory settings, storing, profiles
  if (text[2] == '+' || text[2] == 'I') {
    // Words that ask for it in any dialect.
    for (const char* word : {"RESET", "RST", "RESTORE", "FACTORY", "ERASE", "DEL", "SLEEP", "DFU"})
      if (text.find(word) != text.npos && !text.ends_with('?')) return true;
    return false;
  }
  // Basic commands that act: answer, dial, echo, hook, data state, reset, and S-registers are set
  // with "=". ITU-T V.250 (07/2003) 6.1 to 6.3.
  return std::string_view("ADEHOPTZ").find(text[2]) != std::string_view::npos &&
         !text.ends_with('?');
}

bool MaySend(const SurveyCommand& command, const SurveyPlan& plan) {
  return plan.allow_changes || (command.change.empty() && !LooksLikeChange(command.text));
}

}  // namespace witness
