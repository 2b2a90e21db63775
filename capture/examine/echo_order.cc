#include "capture/examine/echo_order.h"

#include <algorithm>

#include "capture/examine/lines_of.h"

namespace witness {
namespace {

constexpr std::size_t kKept = 4096;

// How much of what the module says gives back what the host says.
std::size_t CommonStart(ByteView module, ByteView host) {
  const std::size_t most = std::min(module.size(), host.size());
  std::size_t n = 0;
  while (n < most && (module[n] == host[n] || HidesKey(module[n], host[n]))) ++n;
  return n;
}

// What comes back of it: in a line that is typed, a backspace as back, blank, back.
void AppendEchoOf(ByteView said, bool lines, Bytes& to) {
  if (!lines || said.find_first_of("\b\x7f") == ByteView::npos) {
    to += said;
    return;
  }
  for (const char c : said) {
    if (c == '\b' || c == '\x7f')
      to += "\b \b";
    else
      to += c;
  }
}

bool Lines(const Conventions* conventions) {
  return conventions != nullptr && conventions->terminated_commands;
}

}  // namespace

EchoOrder::Turn EchoOrder::TurnOf(const Tape& tape, std::size_t at, Instant now,
                                  std::size_t& host_item) {
  const TapeItem& item = tape.items[at];
  ByteView module = tape.BytesOf(item);
  std::size_t known = CommonStart(module, not_echoed_);
  if (known < module.size() && known < not_echoed_.size()) {
    // It is no echo; or one of a later command, since the module did not hear the one before.
    std::size_t from = 1;
    while (from < not_echoed_.size() &&
           module.substr(0, not_echoed_.size() - from) != ByteView(not_echoed_).substr(from))
      ++from;
    not_echoed_.erase(0, from);
    if (not_echoed_.empty()) return Turn::kNow;
    known = not_echoed_.size();
  }
  const Instant latest = item.at + uncertainty_;
  if (now <= latest) return Turn::kUnknown;
  module.remove_prefix(known);
  Bytes host;
  for (std::size_t i = at + 1; i < tape.items.size() && tape.items[i].at <= latest; ++i) {
    const TapeItem& other = tape.items[i];
    if (other.kind != EventKind::kBytes) break;
    if (other.side != Side::kHost || std::binary_search(ahead_.begin(), ahead_.end(), i)) continue;
    if (host.empty()) host_item = i;
    AppendEchoOf(tape.BytesOf(other), Lines(conventions_), host);
    if (host.size() >= module.size()) break;
  }
  // An echo under way may be of a command whose end is stamped late, too.
  const bool echo_under_way = module.empty() && !host.empty();
  const std::size_t common = CommonStart(module, host);
  // Some give a line back without its ending, and go on.
  const ByteView line = Stripped(host);
  const bool bare = common == line.size() && known + common > 1 && host.starts_with(line);
  const bool goes_on = common > 0 && (common == module.size() || common == host.size() || bare);
  if (echo_under_way || goes_on) return Turn::kAfterHost;
  not_echoed_.erase(0, known);
  return Turn::kNow;
}

void EchoOrder::Follow(const Conventions& conventions, bool any_echo) {
  conventions_ = &conventions;
  echoes_ = uncertainty_ > Duration::Zero() && (any_echo || conventions.echo);
  answers_ = uncertainty_ > Duration::Zero() && conventions.both_sides() &&
             conventions.framing != Framing::kNmea &&
             conventions.quick_turnaround > Duration::Zero() &&
             conventions.quick_turnaround <= uncertainty_;
}

bool EchoOrder::MayBeEarly(const Tape& tape, const TapeItem& item) const {
  if (!answers_) return false;
  if (anybody_ &&
      IdleBefore(last_, item.at, item.size, character_time_) <= conventions_->silence.value)
    return false;
  if (conventions_->IsUnaskedBlock(tape.BytesOf(item))) return false;
  return !conventions_->HasUnaskedHead(Stripped(tape.BytesOf(item)));
}

void EchoOrder::TakeAhead(const Tape& tape, std::size_t item, const Sink& sink) {
  AppendEchoOf(tape.BytesOf(tape.items[item]), Lines(conventions_), not_echoed_);
  sink(tape.items[item]);
  last_ = std::max(last_, tape.items[item].at);
  ahead_.insert(std::upper_bound(ahead_.begin(), ahead_.end(), item), item);
}

void EchoOrder::TakeCommand(const Tape& tape, std::size_t at, const Sink& sink) {
  const Instant latest = tape.items[at].at + uncertainty_;
  std::vector<std::size_t> command;
  bool whole = false;
  for (std::size_t i = at + 1; !whole && i < tape.items.size() && tape.items[i].at <= latest; ++i) {
    const TapeItem& item = tape.items[i];
    if (item.kind != EventKind::kBytes) return;
    if (item.side != Side::kHost || item.size == 0) continue;
    command.push_back(i);
    whole = IsLineEnd(tape.BytesOf(item).back());
  }
  // A line that is not over by then is not answered yet.
  if (!whole && conventions_->terminated_commands) return;
  for (const std::size_t item : command) TakeAhead(tape, item, sink);
}

std::size_t EchoOrder::Run(const Tape& tape, std::size_t from, Instant now, const Sink& sink) {
  std::size_t at = from;
  for (; at < tape.items.size(); ++at) {
    const TapeItem& item = tape.items[at];
    if (!ahead_.empty() && ahead_.front() == at) {
      ahead_.erase(ahead_.begin());
      continue;
    }
    if (item.kind == EventKind::kBytes && item.side == Side::kHost) {
      if (echoes_) AppendEchoOf(tape.BytesOf(item), Lines(conventions_), not_echoed_);
      if (not_echoed_.size() > kKept) not_echoed_.clear();
    } else if (item.kind == EventKind::kBytes && item.side == Side::kModule && item.size > 0) {
      if (MayBeEarly(tape, item)) {
        if (now <= item.at + uncertainty_) return at;
        TakeCommand(tape, at, sink);
      }
      if (echoes_) {
        std::size_t host = 0;
        Turn turn;
        while ((turn = TurnOf(tape, at, now, host)) == Turn::kAfterHost)
          TakeAhead(tape, host, sink);
        if (turn == Turn::kUnknown) return at;
      }
    }
    sink(item);
    if (item.kind == EventKind::kBytes && item.size > 0) {
      last_ = std::max(last_, item.at);
      anybody_ = true;
    }
  }
  return at;
}

void EchoOrder::Dropped(std::size_t items) {
  for (std::size_t& at : ahead_) at -= std::min(at, items);
}

}  // namespace witness
