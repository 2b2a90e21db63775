// The factors that change only when and in which pieces the same bytes come: split, pace,
// turnaround, echo.
#include <charconv>

#include "capture/base/text.h"
#include "replay/vary/change.h"

namespace trial {
namespace {

using witness::Code;
using witness::OkStatus;
using witness::Result;
using witness::Status;

// Longer replies are not cut at every byte: a part stays small enough to print.
constexpr std::size_t kMostCuts = 4096;

std::optional<long> Number(const std::string& text) {
  long value = 0;
  const char* end = text.data() + text.size();
  const auto parsed = std::from_chars(text.data(), end, value);
  if (text.empty() || parsed.ec != std::errc() || parsed.ptr != end) return std::nullopt;
  return value;
}

std::vector<std::size_t> EveryByte(std::size_t size) {
  std::vector<std::size_t> places;
  for (std::size_t i = 1; i < size && i <= kMostCuts; ++i) places.push_back(i);
  return places;
}

// Behind each line ending that something stands before and something else behind.
std::vector<std::size_t> LineStarts(ByteView bytes) {
  std::vector<std::size_t> places;
  const std::size_t first = bytes.find_first_not_of("\r\n");
  for (std::size_t i = 0; i < bytes.size();) {
    const std::size_t size = EndingAt(bytes, i);
    i += size > 0 ? size : 1;
    if (size > 0 && i < bytes.size() && i > first && EndingAt(bytes, i) == 0) places.push_back(i);
  }
  return places;
}

}  // namespace

Status VarySplit(Change& change) {
  const std::string word = change.Word();
  const auto number = Number(word);
  const bool bytes = word == "bytes";
  if (!number && !bytes && word != "whole" && word != "lines" && word != "ending")
    return UnknownLevel(change.variation);
  if (number && *number == 0) return UnknownLevel(change.variation);
  const auto pause = PauseOf(change, Duration::Milliseconds(bytes ? 2 : 35));
  if (!pause.ok()) return pause.status();

  ForEachSaid(change, [&](Answer& answer, std::uint32_t) {
    const Bytes all = JoinPieces(answer.pieces);
    std::vector<std::size_t> places;
    if (bytes) {
      places = EveryByte(all.size());
    } else if (word == "lines") {
      places = LineStarts(all);
    } else if (word == "ending") {
      const std::size_t last = all.find_last_not_of("\r\n");
      if (last != Bytes::npos && last + 1 < all.size()) places = {last + 1};
    } else if (number) {
      const auto size = static_cast<long>(all.size());
      const long place = *number > 0 ? *number : size + *number;
      if (place <= 0 || place >= size) return;  // too short to be cut there
      places = {static_cast<std::size_t>(place)};
    }
    Cut(change, answer, places, *pause, true);
  });
  return OkStatus();
}

Status VaryPace(Change& change) {
  const std::string word = change.Word();
  if (word == "burst") {
    ForEachSaid(change, [&](Answer& answer, std::uint32_t number) {
      Cut(change, answer, {}, Duration::Zero(), true);
      // What comes unasked goes on coming when it came.
      if (!answer.pieces.empty() && number != kUnaskedOnly)
        answer.pieces[0].after = Duration::Zero();
    });
    return OkStatus();
  }
  if (word == "line") {
    const auto baud = Number(change.Value());
    if (!baud || *baud < 50 || *baud > 20'000'000) return UnknownLevel(change.variation);
    witness::LineSettings line = change.varied.part.line;
    line.baud = static_cast<std::uint32_t>(*baud);
    const Duration character = line.CharacterTime();
    ForEachSaid(change, [&](Answer& answer, std::uint32_t) {
      for (Piece& piece : answer.pieces)  // the first byte has to cross the line too
        piece.after = piece.after + character;
      std::vector<Piece> paced;
      for (const Piece& piece : answer.pieces) {
        for (std::size_t i = 0; i < piece.bytes.size(); ++i)
          paced.push_back({i == 0 ? piece.after : character, Bytes(1, piece.bytes[i])});
      }
      answer.pieces = std::move(paced);
    });
    return OkStatus();
  }
  if (word == "slow") {
    const auto times = Number(change.Value().empty() ? "3" : change.Value());
    if (!times || *times < 1 || *times > 1000) return UnknownLevel(change.variation);
    ForEachSaid(change, [&](Answer& answer, std::uint32_t) {
      for (Piece& piece : answer.pieces) piece.after = piece.after * *times;
    });
    return OkStatus();
  }
  if (word == "pause") {
    const auto pause = PauseOf(change, Duration::Milliseconds(50));
    if (!pause.ok()) return pause.status();
    ForEachSaid(change, [&](Answer& answer, std::uint32_t) {
      std::vector<std::size_t> places = LineStarts(JoinPieces(answer.pieces));
      std::size_t offset = 0;
      for (const Piece& piece : answer.pieces) {
        if (offset > 0) places.push_back(offset);
        offset += piece.bytes.size();
      }
      Cut(change, answer, places, *pause, false);
    });
    return OkStatus();
  }
  return UnknownLevel(change.variation);
}

namespace {

// A module that takes so long is none that a sketch should have to bear.
constexpr Duration kLatestMeeting = Duration::Milliseconds(500);

// So late that half of the reply is still to come when the next command is due: one that waits for
// the reply begins later, one that goes by the clock begins in the middle of it.
void MeetNextCommand(Change& change) {
  const Duration character = change.varied.part.line.CharacterTime();
  ForEachAnswer(change, [&](Answer& answer, std::uint32_t number) {
    const auto next = change.context.next_command.find(number);
    if (answer.pieces.empty() || next == change.context.next_command.end()) return;
    const Duration half = character * std::ssize(JoinPieces(answer.pieces)) / 2;
    const Duration meeting = next->second - half;
    if (meeting <= answer.pieces[0].after) return;
    if (meeting > kLatestMeeting) {
      change.NoteReply("the next command comes much later, left as recorded", number);
      return;
    }
    answer.pieces[0].after = meeting;
  });
}

}  // namespace

Status VaryTurnaround(Change& change) {
  if (change.variation.level == "next") {
    MeetNextCommand(change);
    return OkStatus();
  }
  const auto length = witness::ParseDuration(change.variation.level);
  if (!length.ok()) return UnknownLevel(change.variation);
  // What comes unasked goes on coming when it came, unless that is what is named.
  const auto each = change.variation.reply == kUnaskedOnly ? ForEachSaid : ForEachAnswer;
  each(change, [&](Answer& answer, std::uint32_t) {
    if (!answer.pieces.empty()) answer.pieces[0].after = *length;
  });
  return OkStatus();
}

Status VaryEcho(Change& change) {
  const std::string word = change.Word();
  Part& part = change.varied.part;
  part.echo_delay = Duration::Zero();
  change.varied.expectation.echoed = word != "off";
  if (word == "off") {
    part.echo = Echo::kOff;
  } else if (word == "characters") {
    part.echo = Echo::kByCharacter;
  } else if (word == "whole") {
    part.echo = Echo::kWhole;
  } else if (word == "late") {
    const auto delay = PauseOf(change, Duration::Milliseconds(50));
    if (!delay.ok()) return delay.status();
    part.echo = Echo::kWhole;
    part.echo_delay = *delay;
  } else {
    return UnknownLevel(change.variation);
  }
  return OkStatus();
}

}  // namespace trial
