#include "capture/examine/exchange_builder.h"

#include <algorithm>
#include <utility>

namespace witness {
namespace {

constexpr std::size_t kMostOpen = 64;

void NotePauses(const Segment& reply, Exchange& exchange) {
  for (std::size_t i = 1; i < reply.pieces.size(); ++i)
    exchange.longest_pause =
        std::max(exchange.longest_pause, reply.pieces[i].at - reply.pieces[i - 1].at);
}

}  // namespace

ExchangeBuilder::ExchangeBuilder(OnExchange on_exchange, OnLoose on_loose)
    : on_exchange_(std::move(on_exchange)), on_loose_(std::move(on_loose)) {}

void ExchangeBuilder::GiveFront() {
  if (on_exchange_) on_exchange_(open_.front());
  if (spare_.size() < kMostOpen) spare_.push_back(std::move(open_.front()));
  open_.pop_front();
}

void ExchangeBuilder::Take(const Segment& segment) {
  if (segment.kind == SegmentKind::kCommand) {
    if (open_.size() >= kMostOpen) GiveFront();
    if (spare_.empty()) {
      open_.emplace_back();
    } else {
      open_.push_back(std::move(spare_.back()));
      spare_.pop_back();
      Exchange& again = open_.back();
      again.echo.reset();
      again.replies.clear();
      again.unsolicited.clear();
      again.turnaround.reset();
      again.longest_pause = Duration::Zero();
    }
    open_.back().command = segment;
    return;
  }
  Exchange* exchange = nullptr;
  if (segment.turn != 0) {
    for (Exchange& open : open_)
      if (open.command.turn == segment.turn) exchange = &open;
  }
  if (exchange == nullptr) {
    if (on_loose_) on_loose_(segment);
    return;
  }
  switch (segment.kind) {
    case SegmentKind::kEcho:
      exchange->echo = segment;
      break;
    case SegmentKind::kReply:
      if (exchange->replies.empty()) exchange->turnaround = segment.from - exchange->command.to;
      NotePauses(segment, *exchange);
      exchange->replies.push_back(segment);
      while (open_.front().command.turn < segment.turn) GiveFront();
      break;
    default:
      exchange->unsolicited.push_back(segment);
      break;
  }
}

void ExchangeBuilder::Finish() {
  while (!open_.empty()) GiveFront();
}

}  // namespace witness
