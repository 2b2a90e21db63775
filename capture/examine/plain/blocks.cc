#include "capture/examine/plain/blocks.h"

#include <algorithm>
#include <cstring>

#include "capture/examine/content.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/sixteen.h"

namespace witness {
namespace {

// As far as both go.
bool BeginAlike(ByteView a, ByteView b) {
  const std::size_t size = std::min(a.size(), b.size());
  std::uint32_t of_a = 0, of_b = 0;
  if (size >= sizeof of_a) {
    std::memcpy(&of_a, a.data(), sizeof of_a);
    std::memcpy(&of_b, b.data(), sizeof of_b);
    if (of_a != of_b) return false;
  }
  return a.substr(0, size) == b.substr(0, size);
}

}  // namespace

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
    texts_[i].IsText(static_cast<LineEnding>(i));
    texts_[i].recognised = block_.recognised;
  }
}

[[gnu::always_inline]] inline bool PlainBlocks::IsFrame(ByteView bytes) const {
  return conventions_.framing == Framing::kNone || modbus::IsRtuFrame(bytes);
}

bool PlainBlocks::HoldsSecret(ByteView answer) {
  FindSecrets(answer, false, secrets_);
  return FoundSome();
}

bool PlainBlocks::FoundSome() {
  if (secrets_.empty()) return false;
  secrets_.clear();
  return true;
}

[[gnu::always_inline]] inline PlainBlocks::Glance PlainBlocks::GlanceAt(ByteView bytes,
                                                                        std::size_t before) {
  // What tells of a secret is a name of three letters, or a form that is no shorter.
  constexpr std::size_t kRun = 3;
  Glance out;
  std::uint32_t printable = 0, runs = 0, returns = 0, letters = 0;
  const auto add = [&](const Sixteen& block, std::size_t, std::size_t count) {
    const std::uint32_t now = block.Printable();
    // The last ones before stand below.
    printable = printable >> Sixteen::kSize | now << (kRun - 1);
    runs |= printable & printable >> 1 & printable >> 2;
    returns |= block.Any('\r');
    letters |= block.Any('C');
    out.text += CountTextIn(block, now, count);
    return true;
  };
  // Those that are no sixteen come first, if they can be read with some that are not looked at:
  // that takes less time. Zeros are nothing of what is looked for.
  const std::size_t first = bytes.size() % Sixteen::kSize;
  if (first > 0 && first + before >= Sixteen::kSize) {
    add(Sixteen(bytes.data() + first - Sixteen::kSize).Last(first), 0, Sixteen::kSize);
    bytes.remove_prefix(first);
  }
  ForSixteens(bytes, add);
  out.may_be_secret = runs != 0;
  out.has_cr = returns != 0;
  out.has_c = letters != 0;
  return out;
}

bool PlainBlocks::IsPlainCommand(ByteView first, ByteView command, std::uint32_t& text) {
  // Text may be the beginning of a line, and a line's end may be left out where it is given back.
  if (IsText(first) || IsLineEnd(command.back()) || !IsFrame(command)) return false;
  constexpr std::size_t kWord = 64;  // bits
  sixteens_.assign(command.size() / (Sixteen::kSize * kWord) + 1, 0);
  std::uint32_t printable = 0, names = 0;
  std::size_t number = 0, all_text = 0;
  ForSixteens(command, [&](const Sixteen& block, std::size_t, std::size_t count) {
    const std::uint32_t now = block.Printable();
    // The last ones before stand below.
    printable = printable >> Sixteen::kSize | now << (kLeastRun - 1);
    const std::uint32_t two = printable & printable >> 1;
    names |= two & two >> 1;
    // Where runs end; those that end so soon begin in the sixteen before.
    const std::uint32_t runs = two & two >> 2;
    const bool here = runs != 0, before = (runs & ((1u << (kLeastRun - 1)) - 1)) != 0;
    sixteens_[number / kWord] |= std::uint64_t{here} << number % kWord;
    const std::size_t last = number - static_cast<std::size_t>(before);
    sixteens_[last / kWord] |= std::uint64_t{before} << last % kWord;
    ++number;
    all_text += CountTextIn(block, now, count);
    return true;
  });
  text = static_cast<std::uint32_t>(all_text);
  // What is asked for has a name of three letters at least.
  if (names == 0) return true;
  if (AskedFor(command)) return false;
  FindSecrets(command, true, sixteens_, secrets_);
  return !FoundSome();
}

[[gnu::always_inline]] inline bool PlainBlocks::LookAtCommand(ByteView first,
                                                              PlainExchange& exchange) {
  const ByteView command = exchange.command.bytes();
  if (command.size() >= Sixteen::kSize || first.size() != command.size()) {
    exchange.history = nullptr;
    return IsPlainCommand(first, command, exchange.command_text);
  }
  const bool more = command.size() + exchange.answer.size >= Sixteen::kSize;
  const Sixteen bytes = more ? Sixteen(command.data()).First(command.size()) : Sixteen(command);
  const std::uint64_t low = bytes.Low(), high = bytes.High();
  const std::uint64_t hash = (low ^ high * 0xC2B2AE3D27D4EB4F) * 0x9E3779B97F4A7C15;
  Known& known = known_[hash >> 56];
  if (known.low != low || known.high != high || known.size != command.size()) {
    std::uint32_t text = 0;
    if (!IsPlainCommand(first, command, text)) return false;
    exchange.command_text = text;
    exchange.history = nullptr;
    // One of the row that this is for may still need its history.
    if (looks_ - known.used <= PlainRow::kMost) return true;
    known.low = low;
    known.high = high;
    known.size = static_cast<std::uint8_t>(command.size());
    known.text = static_cast<std::uint8_t>(text);
    known.history = {};
  }
  known.used = looks_;
  exchange.command_text = known.text;
  exchange.history = &known.history;
  return true;
}

[[gnu::always_inline]] inline bool PlainBlocks::LookAtAnswer(std::size_t before, bool loose_returns,
                                                             PlainExchange& exchange) {
  const ByteView answer = exchange.answer.bytes();
  const Glance glance = GlanceAt(answer, before);
  if (!IsFrame(answer) || (glance.may_be_secret && HoldsSecret(answer))) return false;
  exchange.answer_text = static_cast<std::uint32_t>(glance.text);
  const bool text = glance.text == answer.size();
  exchange.answer_content = &block_;
  // A prompt would be waited for, and that the line is handed over changes what follows.
  if (answer.ends_with("> ")) return false;
  if (!text && !glance.has_cr && !glance.has_c) return true;
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

bool PlainBlocks::Look(std::size_t before, bool loose_returns, PlainExchange& exchange) {
  const PlainSaid& command = exchange.command;
  ++looks_;
  // What is, or begins as, all of the command may be its echo.
  if (BeginAlike(command.bytes(), exchange.answer.bytes())) return false;
  exchange.command_content = &block_;
  return LookAtCommand(command.first->bytes(), exchange) &&
         LookAtAnswer(before + command.size, loose_returns, exchange);
}

}  // namespace witness
