#include "capture/examine/echo_order.h"

#include <algorithm>

namespace witness {
namespace {

constexpr std::size_t kKept = 4096;

std::size_t CommonStart(ByteView a, ByteView b) {
  const std::size_t most = std::min(a.size(), b.size());
  std::size_t n = 0;
  while (n < most && a[n] == b[n]) ++n;
  return n;
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
    host += tape.BytesOf(other);
    if (host.size() >= module.size()) break;
  }
  // An echo under way may be of a command whose end is stamped late, too.
  const bool echo_under_way = module.empty() && !host.empty();
  const std::size_t common = CommonStart(module, host);
  const bool goes_on = common > 0 && (common == module.size() || common == host.size());
  if (echo_under_way || goes_on) return Turn::kAfterHost;
  not_echoed_.erase(0, known);
  return Turn::kNow;
}

std::size_t EchoOrder::Run(const Tape& tape, std::size_t from, Instant now, const Sink& sink) {
  std::size_t at = from;
  for (; at < tape.items.size(); ++at) {
    const TapeItem& item = tape.items[at];
    if (uncertainty_ <= Duration::Zero()) {
      if (ahead_.empty() || !std::binary_search(ahead_.begin(), ahead_.end(), at)) sink(item);
      continue;
    }
    if (!ahead_.empty() && ahead_.front() == at) {
      ahead_.erase(ahead_.begin());
      continue;
    }
    if (item.kind == EventKind::kBytes && item.side == Side::kHost) {
      not_echoed_ += tape.BytesOf(item);
      if (not_echoed_.size() > kKept) not_echoed_.clear();
    } else if (item.kind == EventKind::kBytes && item.side == Side::kModule && item.size > 0) {
      std::size_t host = 0;
      Turn turn;
      while ((turn = TurnOf(tape, at, now, host)) == Turn::kAfterHost) {
        not_echoed_ += tape.BytesOf(tape.items[host]);
        sink(tape.items[host]);
        ahead_.insert(std::upper_bound(ahead_.begin(), ahead_.end(), host), host);
      }
      if (turn == Turn::kUnknown) return at;
    }
    sink(item);
  }
  return at;
}

void EchoOrder::Dropped(std::size_t items) {
  for (std::size_t& at : ahead_) at -= std::min(at, items);
}

}  // namespace witness
