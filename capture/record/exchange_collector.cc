#include "capture/record/exchange_collector.h"

#include <algorithm>

namespace witness {

void ExchangeCollector::Begin(Instant now, Instant sent_by, ByteView sent, std::uint64_t event) {
  heard_ = Heard();
  only_echo_ = true;
  echoed_ = 0;
  heard_.sent = sent;
  heard_.sent_event = event;
  heard_.sent_at = now;
  heard_.sent_by = std::max(now, sent_by);
}

void ExchangeCollector::OnBytes(Instant at, ByteView bytes, std::uint64_t event) {
  heard_.pieces.push_back({at, Bytes(bytes), event});
  for (const char c : bytes) {
    if (!only_echo_) break;
    if (echoed_ < heard_.sent.size() && heard_.sent[echoed_] == c)
      ++echoed_;
    else if (echoed_ > 0 || (c != '\r' && c != '\n'))  // what a command before left in front
      only_echo_ = false;
  }
}

void ExchangeCollector::OnBadByte(Instant at, ByteView byte, std::uint64_t event) {
  OnBytes(at, byte, event);
  ++heard_.bad_bytes;
}

Instant ExchangeCollector::Deadline() const {
  if (heard_.pieces.empty()) return heard_.sent_by + patience_.wait;
  // An echo comes while the command still leaves; the reply is waited for all the same.
  const Instant last = std::max(heard_.pieces.back().at, heard_.sent_by);
  const bool echo = only_echo_ && echoed_ > 0;
  const Instant quiet = last + (echo ? std::max(patience_.wait, patience_.quiet) : patience_.quiet);
  return std::min(std::max(quiet, heard_.sent_by + patience_.at_least),
                  heard_.pieces.front().at + patience_.at_most);
}

bool ExchangeCollector::Done(Instant now) {
  if (now < Deadline()) return false;
  heard_.ended_at = now;
  if (heard_.pieces.empty())
    heard_.end = HeardEnd::kNothing;
  else if (now >= heard_.pieces.front().at + patience_.at_most &&
           now < heard_.pieces.back().at + patience_.quiet)
    heard_.end = HeardEnd::kTooLong;
  else
    heard_.end = HeardEnd::kQuiet;
  return true;
}

}  // namespace witness
