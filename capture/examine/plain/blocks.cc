#include "capture/examine/plain/blocks.h"

#include <algorithm>
#include <cstring>

#include "capture/examine/content.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/sixteen.h"

namespace witness {

bool PlainBlocks::Fit(const Conventions& conventions) {
  const bool framing =
      conventions.framing == Framing::kNone || conventions.framing == Framing::kModbusRtu;
  return conventions.both_sides() && framing && !conventions.terminated_commands &&
         !conventions.terminated_replies && !conventions.ends_known() &&
         conventions.unasked_heads.empty();
}

PlainBlocks::PlainBlocks(const Conventions& conventions) : conventions_(conventions) {
  block_.recognised = conventions.framing == Framing::kModbusRtu;
  for (std::size_t i = 0; i < texts_.size(); ++i) {
    texts_[i].all_text = true;
    texts_[i].recognised = block_.recognised;
    texts_[i].ending = static_cast<LineEnding>(i);
  }
}

bool PlainBlocks::IsFrame(ByteView bytes) const {
  return conventions_.framing == Framing::kNone || modbus::IsRtuFrame(bytes);
}

bool PlainBlocks::HoldsSecret(ByteView bytes, bool of_host) {
  FindSecrets(bytes, of_host, secrets_);
  if (secrets_.empty()) return false;
  secrets_.clear();
  return true;
}

bool PlainBlocks::IsPlainCommand(ByteView first, ByteView command) {
  // Text may be the beginning of a line, and a line's end may be left out where it is given back.
  return !IsText(first) && !IsLineEnd(command.back()) && IsFrame(command) && !AskedFor(command) &&
         !HoldsSecret(command, true);
}

bool PlainBlocks::LookAtCommand(ByteView first, ByteView command, std::size_t& text) {
  if (command.size() > Known::kLongest || first.size() != command.size()) {
    if (!IsPlainCommand(first, command)) return false;
    text = CountText(command);
    return true;
  }
  std::uint64_t hash = command.size();
  for (const char c : command) hash = hash * 31 + static_cast<unsigned char>(c);
  Known& known = known_[(hash ^ hash >> 6) & (kKnown - 1)];
  if (known.size != command.size() ||
      std::memcmp(known.bytes.data(), command.data(), command.size()) != 0) {
    if (!IsPlainCommand(first, command)) return false;
    command.copy(known.bytes.data(), command.size());
    known.size = static_cast<std::uint8_t>(command.size());
    known.text = static_cast<std::uint8_t>(CountText(command));
  }
  text = known.text;
  return true;
}

bool PlainBlocks::LookAtAnswer(ByteView answer, bool loose_returns, PlainExchange& exchange) {
  if (!IsFrame(answer) || HoldsSecret(answer, false)) return false;
  exchange.answer_text = CountText(answer);
  const bool text = exchange.answer_text == answer.size();
  exchange.answer_content = &block_;
  // A prompt would be waited for, and that the line is handed over changes what follows.
  if (answer.ends_with("> ")) return false;
  if (!text && FindAny(answer, 0, '\r', 'C') == ByteView::npos) return true;
  const Content content = ContentOf(answer, text);
  if (content.connects || content.hangs_up || content.command_line || content.final_code ||
      (content.loose_return && !loose_returns))
    return false;
  if (!text) return true;
  LineEnding ending;
  EndingOf(answer, ending);
  exchange.answer_content = &texts_[static_cast<std::size_t>(ending)];
  return true;
}

bool PlainBlocks::Look(ByteView first, bool loose_returns, PlainExchange& exchange) {
  const ByteView command = exchange.command.bytes, answer = exchange.answer.bytes;
  // What is, or begins as, all of the command may be its echo.
  const std::size_t both = std::min(command.size(), answer.size());
  if (command[0] == answer[0] &&
      std::equal(command.begin(), command.begin() + static_cast<std::ptrdiff_t>(both),
                 answer.begin()))
    return false;
  exchange.command_content = &block_;
  return LookAtCommand(first, command, exchange.command_text) &&
         LookAtAnswer(answer, loose_returns, exchange);
}

}  // namespace witness
