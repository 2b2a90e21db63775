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

  // Fills in what the bytes of both are; those of the answer follow on the command's. False: not
  // plain. `before`: how many bytes there are before the command. `loose_returns`: HasLooseReturn()
  // may say so of the answer. The contents are valid for the life of this object.
  bool Look(std::size_t before, bool loose_returns, PlainExchange& exchange);

 private:
  // A command that is sent again and again.
  struct Known {
    std::uint64_t low = 0, high = 0;  // its bytes
    std::uint8_t size = 0;            // up to sixteen; 0: none
    std::uint8_t text = 0;
    PlainHistory history;
    std::uint64_t used = 0;  // looks_ then
  };
  static constexpr std::size_t kKnown = 256;

  // `first`: what its first event brought.
  bool LookAtCommand(ByteView first, PlainExchange& exchange);
  bool LookAtAnswer(std::size_t before, bool loose_returns, PlainExchange& exchange);
  bool IsFrame(ByteView bytes) const;
  // What is seen of an answer in one go.
  struct Glance {
    std::size_t text = 0;                // how many of its bytes are text
    bool may_be_secret = false;          // HoldsSecret() has to be asked
    bool has_cr = false, has_c = false;  // CR, 'C'
  };
  // So many more can be read before them.
  static Glance GlanceAt(ByteView bytes, std::size_t before);
  bool IsPlainCommand(ByteView first, ByteView command, std::uint32_t& text);
  bool HoldsSecret(ByteView answer);
  bool FoundSome();  // secrets, which are forgotten

  const Conventions& conventions_;
  PlainContent block_;                   // of bytes that are not text
  std::array<PlainContent, 4> texts_{};  // of text, by its ending
  std::array<Known, kKnown> known_{};
  std::uint64_t looks_ = PlainRow::kMost + 1;  // a number of the look at an exchange
  std::vector<Secret> secrets_;                // none
  std::vector<std::uint64_t> sixteens_;        // of a command, see FindSecrets()
};

}  // namespace witness
