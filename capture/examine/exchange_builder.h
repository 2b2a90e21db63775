// Segments in, exchanges and what stands outside them out.
#pragma once

#include <deque>
#include <functional>
#include <memory>
#include <vector>

#include "capture/examine/exchange.h"

namespace witness {

class ExchangeBuilder {
 public:
  using OnExchange = std::function<void(const Exchange& exchange)>;
  using OnLoose = std::function<void(const Segment& segment)>;

  // Either may be empty. An exchange comes once a later command was answered, 64 others or 2 MiB of
  // commands wait, or Finish() is called; always in the order of the commands.
  ExchangeBuilder(OnExchange on_exchange, OnLoose on_loose);

  // The segment's buffers are taken, and others given back: it holds nothing of use behind it.
  void Take(Segment& segment);
  void Finish();

 private:
  void Open(Segment& command);
  void GiveFront();

  OnExchange on_exchange_;
  OnLoose on_loose_;
  std::deque<std::unique_ptr<Exchange>> open_;
  std::vector<std::unique_ptr<Exchange>> spare_;  // given out: their buffers are used again
  std::size_t open_bytes_ = 0;                    // of the commands in open_
};

}  // namespace witness
