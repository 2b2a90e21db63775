#include "capture/examine/exchange_builder.h"

#include <algorithm>
#include <utility>

namespace witness {
namespace {

constexpr std::size_t kMostOpen = 64;
constexpr std::size_t kMostOpenBytes = 2u << 20;  // of commands that wait
constexpr std::size_t kMostKept = 64u << 10;      // a larger buffer is not kept for the next

void NotePauses(const Segment& reply, Exchange& exchange) {
  for (std::size_t i = 1; i < reply.pieces.size(); ++i)
    exchange.longest_pause =
        std::max(exchange.longest_pause, reply.pieces[i].at - reply.pieces[i - 1].at);
}

// More of an echo that came in pieces, between the bytes of another answer.
void AddPiece(Segment& echo, const Segment& more) {
  echo.bytes += more.bytes;
  echo.pieces.insert(echo.pieces.end(), more.pieces.begin(), more.pieces.end());
  echo.to = more.to;
  echo.last_event = more.last_event;
  echo.last_offset = more.last_offset;
  echo.ending = more.ending;
  echo.ended_by = more.ended_by;
  echo.sure = std::min(echo.sure, more.sure);
}

}  // namespace

ExchangeBuilder::ExchangeBuilder(OnExchange on_exchange, OnLoose on_loose)
    : on_exchange_(std::move(on_exchange)), on_loose_(std::move(on_loose)) {}

void ExchangeBuilder::GiveFront() {
  Exchange& front = *open_.front();
  if (on_exchange_) on_exchange_(front);
  open_bytes_ -= front.command.bytes.size();
  const std::size_t held =
      front.command.bytes.capacity() + front.replies.capacity() + front.unsolicited.capacity();
  if (spare_.size() < kMostOpen && held <= kMostKept) spare_.push_back(std::move(open_.front()));
  open_.pop_front();
}

void ExchangeBuilder::Open(Segment& command) {
  while (open_.size() >= kMostOpen || (open_bytes_ > kMostOpenBytes && !open_.empty())) GiveFront();
  open_bytes_ += command.bytes.size();
  if (spare_.empty()) {
    open_.push_back(std::make_unique<Exchange>());
  } else {
    open_.push_back(std::move(spare_.back()));
    spare_.pop_back();
    Exchange& again = *open_.back();
    again.echo.reset();
    again.replies.clear();
    again.unsolicited.clear();
    again.turnaround.reset();
    again.longest_pause = Duration::Zero();
  }
  Swap(open_.back()->command, command);
}

void ExchangeBuilder::Take(Segment& segment) {
  if (segment.kind == SegmentKind::kCommand) {
    Open(segment);
    return;
  }
  Exchange* exchange = nullptr;
  if (segment.turn != 0) {
    for (const auto& open : open_)
      if (open->command.turn == segment.turn) exchange = open.get();
  }
  if (exchange == nullptr) {
    if (on_loose_) on_loose_(segment);
    return;
  }
  switch (segment.kind) {
    case SegmentKind::kEcho:
      if (exchange->echo)
        AddPiece(*exchange->echo, segment);
      else
        exchange->echo = segment;
      break;
    case SegmentKind::kReply:
      if (exchange->replies.empty())  // Not before the command, though stamps may say so.
        exchange->turnaround = std::max(segment.from - exchange->command.to, Duration::Zero());
      NotePauses(segment, *exchange);
      {
        const std::uint64_t turn = segment.turn;
        Swap(exchange->replies.Append(), segment);
        while (open_.front()->command.turn < turn) GiveFront();
      }
      break;
    default:
      Swap(exchange->unsolicited.Append(), segment);
      break;
  }
}

void ExchangeBuilder::Finish() {
  while (!open_.empty()) GiveFront();
}

}  // namespace witness
