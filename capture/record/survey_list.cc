// The survey's list of commands, and what of it may be sent.
#include <algorithm>
#include <cctype>

#include "capture/record/survey.h"
#include "capture/record/survey_heard.h"

namespace witness {
namespace {

// "=" that is no test ("=?"), or a word that asks for a change in any dialect and is no question.
bool PieceActs(std::string_view piece) {
  for (std::size_t at = piece.find('='); at != piece.npos; at = piece.find('=', at + 1))
    if (piece.substr(at) != "=?") return true;
  if (piece.ends_with('?')) return false;
  for (const char* word : {"RESET",  "RST",  "RESTORE", "FACTORY", "DEFAULT", "ERASE", "WIPE",
                           "FORMAT", "DEL",  "CLEAR",   "CLR",     "SAVE",    "STORE", "WRITE",
                           "SET",    "BOOT", "DFU",     "UPDATE",  "UPGRADE", "SLEEP", "OFF"})
    if (piece.find(word) != piece.npos) return true;
  return false;
}

// `line`: in capitals, without its ending. ITU-T V.250 (07/2003) 5.4 and 6.1 to 6.3: spaces do not
// count, basic commands may follow each other, extended ones are set apart by semicolons.
bool LineActs(std::string line) {
  std::erase(line, ' ');
  // Control characters end texts, break off and wake.
  if (std::any_of(line.begin(), line.end(), [](char c) { return c >= 0 && c < ' '; })) return true;
  if (line.find("+++") != line.npos || line.starts_with("A/")) return true;
  for (std::size_t from = 0; from <= line.size();) {
    const std::size_t end = std::min(line.find(';', from), line.size());
    const std::string piece = line.substr(from, end - from);
    if (PieceActs(piece)) return true;
    if (from > 0 && piece.starts_with("AT") && LineActs(piece)) return true;
    from = end + 1;
  }
  if (!line.starts_with("AT") || line.size() < 3) return false;
  const bool asks = line.ends_with('?') && line.find(';') == line.npos;
  for (std::size_t i = 2; i < line.size(); ++i) {
    const char c = line[i];
    if (c == ';' || (c >= '0' && c <= '9')) continue;
    if (c == '&') return true;  // factory settings, storing, profiles
    if (c < 'A' || c > 'Z') {   // an extended command: to the next semicolon
      i = std::min(line.find(';', i), line.size());
      continue;
    }
    // Of the basic commands only identification and a register's value ask.
    const bool question = i + 1 < line.size() && line[i + 1] == '?';
    if (question) {
      ++i;
    } else if (c == 'S') {
      const std::size_t digits = line.find_first_not_of("0123456789", i + 1);
      if (digits == line.npos || line[digits] != '?') return true;
      i = digits;
    } else if (std::string_view("ADEHOPTZ").find(c) != std::string_view::npos) {
      return true;
    } else if (c != 'I') {
      return !asks;
    }
  }
  return false;
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
  // More than one line, and each counts.
  for (std::size_t from = 0; from <= text.size();) {
    const std::size_t end = std::min(text.find_first_of("\r\n", from), text.size());
    if (LineActs(text.substr(from, end - from))) return true;
    from = end + 1;
  }
  return false;
}

bool MaySend(const SurveyCommand& command, const SurveyPlan& plan) {
  return plan.allow_changes || (command.change.empty() && !LooksLikeChange(command.text));
}

}  // namespace witness
