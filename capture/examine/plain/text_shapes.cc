#include "capture/examine/plain/text_shapes.h"

#include <algorithm>
#include <string>

#include "capture/examine/lines_of.h"
#include "capture/examine/machine.h"
#include "capture/examine/secret_search.h"

namespace witness {
namespace {

bool IsDigit(char c) { return c >= '0' && c <= '9'; }

bool HasDigits(ByteView bytes) { return std::any_of(bytes.begin(), bytes.end(), IsDigit); }

// What may mean something else with other digits: a numeric result code is nothing but one.
bool HasLineOfDigits(ByteView bytes) {
  for (std::size_t at = 0; at < bytes.size();) {
    const std::size_t end = std::min(FindLineEnd(bytes, at), bytes.size());
    const ByteView line = bytes.substr(at, end - at);
    if (!line.empty() && std::all_of(line.begin(), line.end(), IsDigit)) return true;
    at = end + 1;
  }
  return false;
}

PlainContent PlainOf(ByteView bytes, const Content& content) {
  PlainContent out;
  LineEnding ending;
  EndingOf(bytes, ending);
  if (content.all_text) out.IsText(ending);
  out.final_code = content.final_code;
  return out;
}

}  // namespace

bool TextShapes::Fit(const Conventions& conventions) {
  const auto ends_line = [](const Bytes& end) {
    return !end.empty() && IsLineEnd(end.back()) && !HasDigits(end);
  };
  return conventions.both_sides() && conventions.framing == Framing::kNone &&
         conventions.terminated_commands && conventions.ends_known() &&
         std::all_of(conventions.answer_ends.begin(), conventions.answer_ends.end(), ends_line) &&
         std::none_of(conventions.unasked_heads.begin(), conventions.unasked_heads.end(),
                      HasDigits);
}

bool TextShapes::AreTwo(ByteView command, ByteView answer) const {
  std::string made;
  SegmentMachine machine(conventions_, options_, [&](Slot& slot) {
    const Segment& s = slot.segment;
    made += std::string(SegmentKindName(s.kind)) + "," + std::to_string(s.turn) + "," +
            std::to_string(s.bytes.size()) + ";";
  });
  Tape tape;
  Event event;
  // Any times will do that are too short to be a silence.
  for (const auto& [side, bytes] : {std::pair{Side::kHost, command}, {Side::kModule, answer}}) {
    event.side = side;
    event.bytes = bytes;
    event.at = event.at + Duration::Nanoseconds(1000);
    tape.Clear();
    tape.Begin(event, 0);
    machine.Take(tape, tape.items.front());
  }
  if (!machine.IsSettled()) return false;
  machine.Settle();
  return made == "command,1," + std::to_string(command.size()) + ";reply,1," +
                     std::to_string(answer.size()) + ";";
}

void TextShapes::Learn(ByteView both, std::size_t command_size, Known& out) const {
  const ByteView command = both.substr(0, command_size), answer = both.substr(command_size);
  // The command is one line, and none that a byte of other data can be taken for.
  const ByteView line = Stripped(command);
  if (line.size() < 3 || line.size() == command.size() || command[0] != line[0] ||
      !IsPrintable(line) || !IsText(answer) || HasLineOfDigits(answer))
    return;
  const Content of_command = ContentOf(command, true), of_answer = ContentOf(answer, true);
  if (of_command.final_code || of_answer.connects || of_answer.hangs_up || of_answer.loose_return ||
      of_answer.command_line)
    return;
  // Where values matter to what is a secret, they are to be small: so none is found of other
  // digits, if none is of these.
  if (AskedFor(command) || !SecretsIn(WithDigits(command, '0'), true).empty() ||
      !SecretsIn(WithDigits(answer, '0'), false).empty() || !AreTwo(command, answer))
    return;
  out.command = PlainOf(command, of_command);
  if (const ByteView value = ValueSetBy(command); !value.empty()) {
    out.command.value_from = static_cast<std::uint32_t>(value.data() - command.data());
    out.command.value_size = static_cast<std::uint32_t>(value.size());
  }
  out.answer = PlainOf(answer, of_answer);
  out.history.varies = HasDigits(command);
  out.plain = true;
}

}  // namespace witness
