// The account of a conversation: readable text, line by line, with times, sides, line endings as
// control pictures, the empty set for a missing one, and silences as their length between rulings.
//
// Incremental: events in, lines out that are safe for a terminal. What one side says is joined to
// one line until its line ending, a pause, or the other side; so a line may come some time after
// its first byte. Reads no clock: Tick() says what time it is, NextTick() when to call it.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "capture/base/instant.h"
#include "capture/store/event.h"

namespace witness {

struct AccountOptions {
  bool hex = false;    // bytes in hexadecimal beside the text, 16 to a line
  bool color = false;  // ANSI colours by side; words and columns tell the sides in any case
  // A pause this long ends a line, and is shown between rulings.
  Duration silence = Duration::Milliseconds(100);
};

class Account {
 public:
  // `line` ends with LF.
  using Sink = std::function<void(std::string_view line)>;

  Account(const AccountOptions& options, Sink sink);

  void Take(const Event& event);
  // Nothing came until `now`.
  void Tick(Instant now);
  // When a waiting line is due; Never if none waits.
  Instant NextTick() const;
  void Finish();
  // Times begin anew: another capture of the same conversation.
  void Restart();

 private:
  void Flush(bool more_may_follow);
  bool HasText() const { return waiting_.find_first_not_of("\r\n") != Bytes::npos; }
  void TextLine(ByteView bytes, bool ended);
  void HexLines(ByteView bytes);
  void Row(Instant at, Side side, std::string_view what, bool first);
  void Say(Instant at, std::string_view who, std::string_view what);

  AccountOptions options_;
  Sink sink_;
  Bytes waiting_;
  std::string bad_;  // one character per waiting byte: 'x' came with an error
  Side side_ = Side::kUnknown;
  Instant from_;  // of the waiting bytes
  Instant last_;  // of the last byte of anybody
  bool anybody_ = false;
};

}  // namespace witness
