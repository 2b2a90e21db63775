// Which commands with their answers are plain where commands are bytes that end when the module
// answers: frames of Modbus RTU, or blocks of which nothing is known.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/plain/plain_talk.h"
#include "capture/examine/secret_search.h"

namespace witness {

class PlainBlocks {
 public:
  // Whether talk of such conventions can be plain in this way.
  static bool Fit(const Conventions& conventions);

  // The conventions must outlive it.
  explicit PlainBlocks(const Conventions& conventions);

  // Fills in what the bytes of both are. False: not plain. `first`: of the command, what its first
  // event brought. `loose_returns`: HasLooseReturn() may say so of the answer. The contents are
  // valid for the life of this object.
  bool Look(ByteView first, bool loose_returns, PlainExchange& exchange);

 private:
  // A command that is sent again and again.
  struct Known {
    static constexpr std::size_t kLongest = 22;
    std::array<char, kLongest> bytes;
    std::uint8_t size = 0;
    std::uint8_t text = 0;
  };
  static constexpr std::size_t kKnown = 64;

  bool LookAtCommand(ByteView first, ByteView command, std::size_t& text);
  bool IsPlainCommand(ByteView first, ByteView command);
  bool LookAtAnswer(ByteView answer, bool loose_returns, PlainExchange& exchange);
  bool IsFrame(ByteView bytes) const;
  bool HoldsSecret(ByteView bytes, bool of_host);

  const Conventions& conventions_;
  PlainContent block_;                   // of bytes that are not text
  std::array<PlainContent, 4> texts_{};  // of text, by its ending
  std::array<Known, kKnown> known_{};
  std::vector<Secret> secrets_;  // none
};

}  // namespace witness
