#include "replay/vary/change.h"

#include <algorithm>

#include "capture/base/text.h"

namespace trial {

std::string Change::Word() const { return variation.level.substr(0, variation.level.find(':')); }

std::string Change::Value() const {
  const auto colon = variation.level.find(':');
  return colon == std::string::npos ? "" : variation.level.substr(colon + 1);
}

Duration Change::Crossing(std::size_t bytes) const {
  if (!context.on_wire) return Duration::Zero();
  return varied.part.line.CharacterTime() * static_cast<int>(bytes);
}

void Change::Note(const std::string& words) {
  if (std::find(varied.notes.begin(), varied.notes.end(), words) == varied.notes.end())
    varied.notes.push_back(words);
}

void Change::NoteReply(const std::string& words, std::uint32_t number) {
  for (std::string& note : varied.notes)
    if (note.starts_with(words + ": ")) {
      if (!note.ends_with(": " + ReplyName(number)) && !note.ends_with(", " + ReplyName(number)))
        note += ", " + ReplyName(number);
      return;
    }
  varied.notes.push_back(words + ": " + ReplyName(number));
}

void ForEachAnswer(Change& change,
                   const std::function<void(Answer& answer, std::uint32_t number)>& call) {
  const std::uint32_t only = change.variation.reply;
  for (Rule& rule : change.varied.part.rules)
    for (Answer& answer : rule.answers)
      if (only == 0 || answer.turn == only) call(answer, answer.turn);
  if (only == 0 && change.varied.part.unknown) call(*change.varied.part.unknown, 0);
}

void ForEachSaid(Change& change,
                 const std::function<void(Answer& answer, std::uint32_t number)>& call) {
  ForEachAnswer(change, call);
  if (change.variation.reply != 0 && change.variation.reply != kUnaskedOnly) return;
  for (Unasked& unasked : change.varied.part.unasked) {
    Answer line{unasked.pieces, 0};
    call(line, kUnaskedOnly);
    // Its silence counts from the command or from the beginning: its own when is none of these
    // factors' business, unless it follows upon a command.
    if (unasked.at && !line.pieces.empty() && !unasked.pieces.empty())
      line.pieces[0].after = unasked.pieces[0].after;
    if (line.pieces == unasked.pieces) continue;
    change.Note("what comes unasked too: " + witness::SafeText(JoinPieces(unasked.pieces)));
    unasked.pieces = std::move(line.pieces);
  }
}

std::string ReplyName(std::uint32_t number) {
  if (number == kUnaskedOnly) return "what comes unasked";
  return number == 0 ? "the reply to unknown commands" : "reply " + std::to_string(number);
}

bool IsText(ByteView bytes) {
  for (std::size_t i = 0; i < bytes.size();) {
    const auto b = static_cast<std::uint8_t>(bytes[i]);
    if (b == '\t' || b == '\r' || b == '\n' || (b >= 0x20 && b < 0x7f)) {
      ++i;
      continue;
    }
    // Lead byte and continuation bytes as in RFC 3629 section 3.
    const std::size_t length = b >= 0xC2 && b <= 0xDF   ? 2
                               : (b & 0xF0) == 0xE0     ? 3
                               : b >= 0xF0 && b <= 0xF4 ? 4
                                                        : 0;
    if (length == 0 || i + length > bytes.size()) return false;
    for (std::size_t k = 1; k < length; ++k)
      if ((static_cast<std::uint8_t>(bytes[i + k]) & 0xC0) != 0x80) return false;
    i += length;
  }
  return !bytes.empty();
}

std::size_t EndingAt(ByteView bytes, std::size_t at) {
  if (at >= bytes.size()) return 0;
  if (bytes[at] == '\n') return 1;
  if (bytes[at] != '\r') return 0;
  return at + 1 < bytes.size() && bytes[at + 1] == '\n' ? 2 : 1;
}

void Replace(Answer& answer, const std::vector<Replacement>& replacements) {
  std::vector<Piece> out;
  std::size_t offset = 0;  // of the present piece within the answer
  std::size_t next = 0;    // replacement
  std::size_t skip = 0;    // bytes still to be left out
  Duration carried;
  for (std::size_t i = 0; i < answer.pieces.size(); ++i) {
    const Piece& piece = answer.pieces[i];
    const bool last = i + 1 == answer.pieces.size();
    Piece changed{piece.after + carried, {}};
    carried = Duration::Zero();
    for (std::size_t k = 0; k <= piece.bytes.size(); ++k) {
      if (k == piece.bytes.size() && !last) break;
      while (next < replacements.size() && replacements[next].from == offset + k) {
        changed.bytes += replacements[next].by;
        skip += replacements[next].size;
        ++next;
      }
      if (k == piece.bytes.size()) break;
      if (skip > 0)
        --skip;
      else
        changed.bytes += piece.bytes[k];
    }
    offset += piece.bytes.size();
    if (changed.bytes.empty())
      carried = changed.after;
    else
      out.push_back(std::move(changed));
  }
  answer.pieces = std::move(out);
}

void Cut(const Change& change, Answer& answer, const std::vector<std::size_t>& places,
         Duration pause, bool joined) {
  if (joined && answer.pieces.size() > 1) {
    Piece whole{answer.pieces[0].after, JoinPieces(answer.pieces)};
    answer.pieces = {std::move(whole)};
  }
  std::vector<Piece> out;
  std::size_t offset = 0;
  std::size_t before = 0;  // size of the piece before
  for (const Piece& piece : answer.pieces) {
    const std::size_t end = offset + piece.bytes.size();
    std::size_t from = offset;
    Duration after = piece.after;
    for (const std::size_t place : places) {
      if (place == offset && offset > 0) after = std::max(after, pause + change.Crossing(before));
      if (place <= from || place >= end) continue;
      out.push_back({after, piece.bytes.substr(from - offset, place - from)});
      after = pause + change.Crossing(place - from);
      from = place;
    }
    out.push_back({after, piece.bytes.substr(from - offset)});
    before = end - from;
    offset = end;
  }
  answer.pieces = std::move(out);
}

witness::Status UnknownLevel(const Variation& variation) {
  std::string offered;
  for (const Factor& factor : Factors())
    if (factor.name == variation.factor) offered = factor.levels;
  return {witness::Code::kInvalidArgument, "there is no " + variation.factor + "=" +
                                               witness::SafeText(variation.level) + "; " +
                                               variation.factor + " takes " + offered};
}

witness::Result<Duration> PauseOf(const Change& change, Duration otherwise) {
  if (change.Value().empty()) return otherwise;
  auto parsed = witness::ParseDuration(change.Value());
  if (!parsed.ok()) return parsed.status().In(change.variation.Name());
  return parsed;
}

}  // namespace trial
