// Segments in, exchanges and what stands outside them out.
#pragma once

#include <deque>
#include <functional>
#include <vector>

#include "capture/examine/segment.h"

namespace witness {

class ExchangeBuilder {
 public:
  using OnExchange = std::function<void(const Exchange& exchange)>;
  using OnLoose = std::function<void(const Segment& segment)>;

  // Either may be empty. An exchange comes once a later command was answered, 64 others wait, or
  // Finish() is called; always in the order of the commands.
  ExchangeBuilder(OnExchange on_exchange, OnLoose on_loose);

  void Take(const Segment& segment);
  void Finish();

 private:
  void GiveFront();

  OnExchange on_exchange_;
  OnLoose on_loose_;
  std::deque<Exchange> open_;
  std::vector<Exchange> spare_;  // given out: their strings are used again
};

}  // namespace witness
