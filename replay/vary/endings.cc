// The factor "ending", exactly: what it names is changed and nothing else.
#include "replay/vary/change.h"

namespace trial {
namespace {

struct Found {
  std::size_t from = 0;
  std::size_t size = 0;
};

std::vector<Found> LineEndings(ByteView bytes) {
  std::vector<Found> all;
  for (std::size_t i = 0; i < bytes.size();) {
    const std::size_t size = EndingAt(bytes, i);
    if (size > 0) all.push_back({i, size});
    i += size > 0 ? size : 1;
  }
  return all;
}

}  // namespace

witness::Status VaryEnding(Change& change) {
  const std::string level = change.variation.level;
  Bytes by;
  if (level == "cr")
    by = "\r";
  else if (level == "lf")
    by = "\n";
  else if (level == "crlf")
    by = "\r\n";
  else if (level != "none" && level != "bare" && level != "spaces")
    return UnknownLevel(change.variation);

  ForEachSaid(change, [&](Answer& answer, std::uint32_t number) {
    const Bytes bytes = JoinPieces(answer.pieces);
    if (bytes.empty()) return;
    if (!IsText(bytes)) {
      change.NoteReply("no text, left as recorded", number);
      return;
    }
    const auto endings = LineEndings(bytes);
    const bool no_ending = by.empty();
    if (bytes.find_first_not_of("\r\n") == Bytes::npos && no_ending) {
      change.NoteReply("nothing but line endings, left as recorded", number);
      return;
    }
    // What only line endings stand before, and what only line endings stand behind.
    const std::size_t first = bytes.find_first_not_of("\r\n");
    const std::size_t last = bytes.find_last_not_of("\r\n");
    bool joined = false;
    std::vector<Replacement> replacements;
    for (const Found& ending : endings) {
      const bool inside = first != Bytes::npos && ending.from > first && ending.from < last;
      if (level == "none" && inside) continue;
      joined = joined || (inside && no_ending);
      replacements.push_back(
          {ending.from, ending.size, level == "spaces" ? Bytes(ending.size, ' ') : by});
    }
    // A reply that has none at all gets one: the next batch may say "OK\r" for "OK".
    if (endings.empty() && !no_ending) replacements.push_back({bytes.size(), 0, by});
    // Lines that have become one are another text.
    if (joined) change.varied.expectation.same_output = false;
    Replace(answer, replacements);
    change.varied.expectation.other_endings = true;
  });
  return witness::OkStatus();
}

}  // namespace trial
