#include "capture/show/account.h"

#include <cstdio>
#include <utility>

#include "capture/base/text.h"
#include "capture/show/event_words.h"

namespace witness {
namespace {

constexpr std::size_t kLongestLine = 160;  // bytes; then the line is broken
constexpr std::size_t kHexColumns = 16;
constexpr const char* kReset = "\x1b[0m";

// Colours that stay apart with the common kinds of colour blindness: blue and orange.
const char* ColorOf(Side side) {
  switch (side) {
    case Side::kHost:
      return "\x1b[38;5;33m";
    case Side::kModule:
      return "\x1b[38;5;208m";
    case Side::kUnknown:
      break;
  }
  return "";
}

}  // namespace

Account::Account(const AccountOptions& options, Sink sink)
    : options_(options), sink_(std::move(sink)) {}

void Account::Row(Instant at, Side side, std::string_view what, bool first) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-7s ", first ? FormatInstant(at).c_str() : "",
                first ? SideName(side) : "");
  std::string line = head;
  if (options_.color) line += ColorOf(side);
  line += what;
  if (options_.color && *ColorOf(side) != 0) line += kReset;
  line += "\n";
  sink_(line);
}

void Account::Say(Instant at, std::string_view who, std::string_view what) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-7s ", FormatInstant(at).c_str(),
                std::string(who).c_str());
  sink_(std::string(head) + "(" + std::string(what) + ")\n");
}

void Account::TextLine(ByteView bytes, bool ended) {
  std::string what = ended ? SafeTextWithEnding(bytes) : SafeText(bytes);
  if (bad_.find('x') != std::string::npos) what += "  (with bad bytes)";
  Row(from_, side_, what, true);
}

void Account::HexLines(ByteView bytes) {
  for (std::size_t at = 0; at < bytes.size(); at += kHexColumns) {
    const ByteView part = bytes.substr(at, kHexColumns);
    std::string what;
    for (std::size_t i = 0; i < kHexColumns; ++i) {
      if (i < part.size())
        what += ToHex(part.substr(i, 1)) + (bad_[at + i] == 'x' ? "!" : " ");
      else
        what += "   ";
    }
    what += " " + SafeText(part);
    Row(from_, side_, what, at == 0);
  }
}

void Account::Flush(bool more_may_follow) {
  if (waiting_.empty()) return;
  if (options_.hex)
    HexLines(waiting_);
  else
    TextLine(waiting_, !more_may_follow);
  waiting_.clear();
  bad_.clear();
}

void Account::Take(const Event& event) {
  const bool has_bytes = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  if (!has_bytes) {
    Flush(false);
    const char* who = event.side == Side::kUnknown ? "" : SideName(event.side);
    Say(event.at, event.kind == EventKind::kNote ? "note" : who, EventWords(event));
    return;
  }
  if (event.bytes.empty()) return;
  if (anybody_ && event.at - last_ > options_.silence) {
    Flush(false);
    sink_("                ──────── " + FormatDuration(event.at - last_) + " ────────\n");
  }
  if (!waiting_.empty() && side_ != event.side) Flush(false);
  anybody_ = true;
  last_ = event.at;
  side_ = event.side;
  const std::size_t longest = options_.hex ? 64 * kHexColumns : kLongestLine;
  for (const char c : event.bytes) {
    if (!waiting_.empty() && !options_.hex) {
      // A line is over behind LF, and behind CR if no LF follows; leading endings wait for text.
      const char before = waiting_.back();
      const bool ended = before == '\n' || (before == '\r' && c != '\n');
      if (ended && HasText())
        Flush(false);
      else if (waiting_.size() >= longest)
        Flush(true);
    } else if (waiting_.size() >= longest) {
      Flush(true);
    }
    if (waiting_.empty()) from_ = event.at;
    waiting_ += c;
    bad_ += event.kind == EventKind::kBadByte ? 'x' : '.';
    if (c == '\n' && !options_.hex && HasText()) Flush(false);
  }
}

void Account::Tick(Instant now) {
  if (!waiting_.empty() && now >= NextTick()) Flush(false);
}

Instant Account::NextTick() const {
  return waiting_.empty() ? Instant::Never() : last_ + options_.silence;
}

void Account::Finish() { Flush(false); }

void Account::Restart() {
  Flush(false);
  anybody_ = false;
}

}  // namespace witness
